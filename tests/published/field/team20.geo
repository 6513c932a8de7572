// A quarter of the measured magnet of TEAM Workshop problem 20: a pole standing in the hole of a
// frame, cut at x = 0 and y = 0. Lengths in mm, z from the inner floor of the frame.
SetFactory("OpenCASCADE");
DefineConstant[ PX = {25, Name "pole, along x"}, PY = {10, Name "pole, along y"},
  PT = {100, Name "top of pole"}, Fine = {1, Name "mesh refinement"} ];
R1 = 190; R2 = 250; zc = 50; G = 1.5;
pole = newv; Box(pole) = {0, 0, G, PX/2, PY/2, PT - G};
outer = newv; Box(outer) = {0, 0, -25, 127/2, 25/2, 150};
window = newv; Box(window) = {0, 0, 0, 77/2, 25/2, 100};
hole = newv; Box(hole) = {0, 0, 100, 27/2, 25/2, 25};
frame() = BooleanDifference{ Volume{outer}; Delete; }{ Volume{window, hole}; Delete; };
in = newv; Sphere(in) = {0, 0, zc, R1};
out = newv; Sphere(out) = {0, 0, zc, R2};
cut = newv; Box(cut) = {0, 0, zc - 2*R2, 2*R2, 2*R2, 4*R2};
q1() = BooleanIntersection{ Volume{in}; Delete; }{ Volume{cut}; };
q2() = BooleanIntersection{ Volume{out}; Delete; }{ Volume{cut}; };
Recursive Delete { Volume{cut}; }
f() = BooleanFragments{ Volume{q1(), q2(), pole, frame()}; Delete; }{};
e = 1e-3;
vp() = Volume In BoundingBox {-e, -e, G - e, PX/2 + e, PY/2 + e, PT + e};
vf() = Volume In BoundingBox {-e, -e, -25 - e, 63.5 + e, 12.5 + e, 125 + e}; vf() -= vp();
vi() = Volume In BoundingBox {-e, -e, zc - R1 - e, R1 + e, R1 + e, zc + R1 + e};
va() = Volume In BoundingBox {-e, -e, zc - R2 - e, R2 + e, R2 + e, zc + R2 + e};
vs() = va(); vs() -= vi(); vi() -= vp(); vi() -= vf();
Physical Volume(1) = {vp()}; Physical Volume(2) = {vf()}; Physical Volume(4) = {vi()}; Physical Volume(5) = {vs()};
so() = Boundary{ Volume{vs()}; };
si() = Boundary{ Volume{vi(), vp(), vf()}; };
so() -= si();
so() -= Surface In BoundingBox {-e, -e, zc - R2 - e, e, R2 + e, zc + R2 + e};
so() -= Surface In BoundingBox {-e, -e, zc - R2 - e, R2 + e, e, zc + R2 + e};
Physical Surface(12) = {so()};
Field[1] = MathEval;
Field[1].F = Sprintf("%g + 0.12*sqrt((x-%g+abs(x-%g))^2 + (y-%g+abs(y-%g))^2 + (z-3+abs(z-3))^2 + (abs(z)-z)^2)", 0.45*Fine, PX/2, PX/2, PY/2, PY/2);
Field[2] = MathEval;
Field[2].F = Sprintf("%g + 0.12*sqrt((x-15+abs(x-15))^2 + (y-13+abs(y-13))^2 + (z-127+abs(z-127))^2 + (abs(z-98)-z+98)^2)", 1.1*Fine);
Field[3] = MathEval;
Field[3].F = Sprintf("%g + 0.2*sqrt((x-64+abs(x-64))^2 + (y-13+abs(y-13))^2 + (z-125+abs(z-125))^2 + (abs(z+25)-z-25)^2)", 6*Fine);
Field[4] = Min; Field[4].FieldsList = {1, 2, 3};
Background Field = 4;
Mesh.CharacteristicLengthFromPoints = 0;
Mesh.CharacteristicLengthExtendFromBoundary = 0;
Mesh.CharacteristicLengthMax = 60;
Mesh.Algorithm3D = 1;
Mesh.ElementOrder = 2;
Mesh.MshFileVersion = 2.2;
