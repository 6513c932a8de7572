// Quarter of a U magnet with yoke and keeper, cut at x = 0 (between the limbs) and y = 0.
// Lengths in mm. The limb stands at x = spacing/2, its foot on the yoke at z = 0, its face at z = L.
SetFactory("OpenCASCADE");
DefineConstant[
  D = {10, Name "pole diameter"},   S = {30, Name "spacing"},
  L = {40, Name "limb length"},     G = {1, Name "gap"},
  KL = {40, Name "keeper length"},  KW = {12, Name "keeper width"}, KT = {6, Name "keeper thickness"},
  YL = {40, Name "yoke length"},    YW = {12, Name "yoke width"},   YT = {6, Name "yoke thickness"},
  Fine = {1, Name "mesh refinement"}
];
reach = Sqrt((KL/2)^2 + (KW/2)^2);
R1 = 1.6 * Sqrt(Max(KL, YL)^2/4 + ((L + G + KT + YT)/2)^2 + KW^2/4);
R2 = 1.35 * R1;
zc = (L + G + KT - YT)/2;

limb = newv; Cylinder(limb) = {S/2, 0, 0, 0, 0, L, D/2, 2*Pi};
yoke = newv; Box(yoke) = {0, 0, -YT, YL/2, YW/2, YT};
keep = newv; Box(keep) = {0, 0, L + G, KL/2, KW/2, KT};
// A disc of air just the size of the pole face, so that the gap is meshed as a region of its own.
disc = newv; Cylinder(disc) = {S/2, 0, L, 0, 0, G, D/2, 2*Pi};
in = newv; Sphere(in) = {0, 0, zc, R1};
out = newv; Sphere(out) = {0, 0, zc, R2};
cut = newv; Box(cut) = {0, 0, zc - 2*R2, 2*R2, 2*R2, 4*R2};
q1() = BooleanIntersection{ Volume{in}; Delete; }{ Volume{cut}; };
q2() = BooleanIntersection{ Volume{out}; Delete; }{ Volume{cut}; };
q3() = BooleanIntersection{ Volume{limb}; Delete; }{ Volume{cut}; };
q4() = BooleanIntersection{ Volume{disc}; Delete; }{ Volume{cut}; };
Recursive Delete { Volume{cut}; }
f() = BooleanFragments{ Volume{q1(), q2(), q3(), q4(), yoke, keep}; Delete; }{};

e = 1e-3;
vl() = Volume In BoundingBox {S/2 - D/2 - e, -e, -e, S/2 + D/2 + e, D/2 + e, L + e};
vy() = Volume In BoundingBox {-e, -e, -YT - e, YL/2 + e, YW/2 + e, e};
vk() = Volume In BoundingBox {-e, -e, L + G - e, KL/2 + e, KW/2 + e, L + G + KT + e};
vd() = Volume In BoundingBox {S/2 - D/2 - e, -e, L - e, S/2 + D/2 + e, D/2 + e, L + G + e};
vi() = Volume In BoundingBox {-e, -e, zc - R1 - e, R1 + e, R1 + e, zc + R1 + e};
va() = Volume In BoundingBox {-e, -e, zc - R2 - e, R2 + e, R2 + e, zc + R2 + e};
vs() = va(); vs() -= vi();
vi() -= vl(); vi() -= vy(); vi() -= vk(); vi() -= vd();
Physical Volume(1) = {vl()};
Physical Volume(2) = {vy()};
Physical Volume(3) = {vk()};
Physical Volume(4) = {vi(), vd()};
Physical Volume(5) = {vs()};
Physical Surface(11) = Surface In BoundingBox {-e, -e, zc - R2 - e, e, R2 + e, zc + R2 + e};
// The outer sphere: every boundary surface that is on neither plane of symmetry.
so() = Boundary{ Volume{vs()}; };
si() = Boundary{ Volume{vi(), vl(), vy(), vk(), vd()}; };
so() -= si();
so() -= Surface In BoundingBox {-e, -e, zc - R2 - e, e, R2 + e, zc + R2 + e};
so() -= Surface In BoundingBox {-e, -e, zc - R2 - e, R2 + e, e, zc + R2 + e};
Physical Surface(12) = {so()};
// Sections for the flux: pole face, foot, and keeper and yoke at x = 0.
Physical Surface(21) = Surface In BoundingBox {S/2 - D/2 - e, -e, L - e, S/2 + D/2 + e, D/2 + e, L + e};
Physical Surface(22) = Surface In BoundingBox {S/2 - D/2 - e, -e, -e, S/2 + D/2 + e, D/2 + e, e};
Physical Surface(23) = Surface In BoundingBox {-e, -e, L + G - e, e, KW/2 + e, L + G + KT + e};
Physical Surface(24) = Surface In BoundingBox {-e, -e, -YT - e, e, YW/2 + e, e};

// Sizes: fine round the rim of the face and the keeper above it, coarse in the body, coarser outside.
rim = Max(G/2.5, D/45) * Fine;
rims() = Curve In BoundingBox {S/2 - D/2 - e, -e, L - e, S/2 + D/2 + e, D/2 + e, L + G + e};
Field[1] = Distance;
Field[1].NumPointsPerCurve = 100;
Field[1].EdgesList = {rims()};
Field[2] = Threshold;
Field[2].IField = 1;
Field[2].LcMin = rim; Field[2].LcMax = 3*R1; Field[2].DistMin = 0.6*rim; Field[2].DistMax = 0.6*rim + 3*R1/0.32;
Field[3] = MathEval;
Field[3].F = Sprintf("%g + 0.125*sqrt((x-%g+abs(x-%g))^2 + (y-%g+abs(y-%g))^2 + (z-%g+abs(z-%g))^2 + (abs(z+%g)-z-%g)^2)",
  D/4.5*Fine, Max(KL,YL)/2, Max(KL,YL)/2, Max(KW,YW)/2, Max(KW,YW)/2, L+G+KT, L+G+KT, YT, YT);
Field[4] = MathEval; // the keeper's underside and the face: no coarser than D/9 near the gap
Field[4].F = Sprintf("%g + 0.35*abs(z-%g) + 0.15*sqrt((x-%g+abs(x-%g))^2 + (y-%g+abs(y-%g))^2)",
  Max(rim, D/11*Fine), L + G/2, KL/2, KL/2, KW/2, KW/2);
Field[5] = Min;
Field[5].FieldsList = {2, 3, 4};
Background Field = 5;
Mesh.CharacteristicLengthFromPoints = 0;
Mesh.CharacteristicLengthExtendFromBoundary = 0;
Mesh.CharacteristicLengthMax = R1/3;
Mesh.Algorithm3D = 1;
Mesh.ElementOrder = 2; // curved, or a round limb would lose 4 % of its section
Mesh.MshFileVersion = 2.2;
