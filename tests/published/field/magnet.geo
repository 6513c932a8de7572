// A magnet in general, cut at y = 0 and, when both halves are alike, at x = 0. Lengths in mm. Form 0:
// a bar, standing at x = 0; 1: a U bent from one bar; 2: limbs on a yoke. Outline 0: round, 1:
// rectangular, 2: stadium; width W along x, depth D along y. The limb stands at x = S/2, its foot at
// z = 0, its face at z = L; the last ST of it may be a shoe PW by PD. A winding of height H lies on
// a wrap T thick from z = Z0 to Z1. A joint gap J lies between foot and yoke.
SetFactory("OpenCASCADE");
DefineConstant[ Form = 2, Outline = 0, Whole = 0, W = 10, D = 10, L = 40, S = 30, G = 1, J = 0,
  Keep = 1, KL = 40, KW = 12, KT = 6, YL = 40, YW = 12, YT = 6, PW = 10, PD = 10, ST = 0,
  Z0 = 4, Z1 = 36, T = 0.5, H = 3, Fine = 1 ];
If (Form == 0)
  S = 0;
EndIf
low = (Form == 0) ? 0 : ((Form == 1) ? -(S + W)/2 : -J - YT);
high = L + (Keep ? G + KT : 0);
wide = S/2 + Max(W, PW)/2;
deep = Max(D, PD)/2;
If (Keep)
  wide = Max(wide, KL/2); deep = Max(deep, KW/2);
EndIf
If (Form == 2)
  wide = Max(wide, YL/2); deep = Max(deep, YW/2);
EndIf
zc = (low + high)/2;
R1 = 1.6 * Sqrt(wide^2 + ((high - low)/2)^2 + deep^2);
R2 = 1.35 * R1;

// A prism of the outline, w by d, about x = cx from z = za up by h.
Macro Prism
  If (Outline == 0)
    pv = newv; Cylinder(pv) = {cx, 0, za, 0, 0, h, w/2, 2*Pi};
  ElseIf (Outline == 1 || w - d < 1e-6)
    pv = newv; Box(pv) = {cx - w/2, -d/2, za, w, d, h};
  Else
    b1 = newv; Box(b1) = {cx - (w - d)/2, -d/2, za, w - d, d, h};
    b2 = newv; Cylinder(b2) = {cx - (w - d)/2, 0, za, 0, 0, h, d/2, 2*Pi};
    b3 = newv; Cylinder(b3) = {cx + (w - d)/2, 0, za, 0, 0, h, d/2, 2*Pi};
    b4() = BooleanUnion{ Volume{b1}; Delete; }{ Volume{b2, b3}; Delete; };
    pv = b4(0);
  EndIf
  parts() += {pv};
Return

parts() = {};
For side In {0 : (Form == 0 || !Whole) ? 0 : 1}
  cx = side ? -S/2 : S/2;
  w = W; d = D; za = 0; h = L - ST; Call Prism;
  If (ST > 0)
    w = PW; d = PD; za = L - ST; h = ST; Call Prism;
  EndIf
  If (Keep)
    // air just the size of the pole face, so that the gap is a region of its own
    w = PW; d = PD; za = L; h = G; Call Prism;
  EndIf
  If (J > 0)
    w = W; d = D; za = -J; h = J; Call Prism;
  EndIf
  w = W + 2*(T + H); d = D + 2*(T + H); za = Z0; h = Z1 - Z0; Call Prism;
EndFor
If (Form == 1)
  // the outline turned about the y axis, a quarter for each half
  If (Outline == 0)
    sf = news; Disk(sf) = {S/2, 0, 0, W/2};
  ElseIf (Outline == 1)
    sf = news; Rectangle(sf) = {S/2 - W/2, -D/2, 0, W, D};
  Else
    s1 = news; Rectangle(s1) = {S/2 - (W - D)/2, -D/2, 0, W - D, D};
    s2 = news; Disk(s2) = {S/2 - (W - D)/2, 0, 0, D/2};
    s3 = news; Disk(s3) = {S/2 + (W - D)/2, 0, 0, D/2};
    s4() = BooleanUnion{ Surface{s1}; Delete; }{ Surface{s2, s3}; Delete; };
    sf = s4(0);
  EndIf
  o() = Extrude{ {0, 1, 0}, {0, 0, 0}, Pi/2 }{ Surface{sf}; };
  parts() += {o(1)};
  If (Whole)
    o2() = Symmetry{1, 0, 0, 0}{ Duplicata{ Volume{o(1)}; } };
    parts() += {o2(0)};
  EndIf
EndIf
If (Form == 2)
  y = newv; Box(y) = {-YL/2, -YW/2, -J - YT, YL, YW, YT}; parts() += {y};
EndIf
If (Keep)
  k = newv; Box(k) = {-KL/2, -KW/2, L + G, KL, KW, KT}; parts() += {k};
EndIf
in = newv; Sphere(in) = {0, 0, zc, R1}; parts() += {in};
out = newv; Sphere(out) = {0, 0, zc, R2}; parts() += {out};
f() = BooleanFragments{ Volume{parts()}; Delete; }{};
cut = newv; Box(cut) = {Whole ? -2*R2 : 0, 0, zc - 2*R2, Whole ? 4*R2 : 2*R2, 2*R2, 4*R2};
f2() = BooleanIntersection{ Volume{f()}; Delete; }{ Volume{cut}; Delete; };
f3() = BooleanFragments{ Volume{f2()}; Delete; }{};

e = 1e-3; x0 = Whole ? -1e4 : -e;
limb() = {}; disc() = {};
For side In {0 : (Form == 0 || !Whole) ? 0 : 1}
  cx = side ? -S/2 : S/2;
  limb() += Volume In BoundingBox {cx - W/2 - e, -e, -e, cx + W/2 + e, D/2 + e, L - ST + e};
  If (ST > 0)
    limb() += Volume In BoundingBox {cx - PW/2 - e, -e, L - ST - e, cx + PW/2 + e, PD/2 + e, L + e};
  EndIf
  If (Keep)
    disc() += Volume In BoundingBox {cx - PW/2 - e, -e, L - e, cx + PW/2 + e, PD/2 + e, L + G + e};
  EndIf
EndFor
yoke() = {}; keep() = {};
If (Form == 1)
  yoke() = Volume In BoundingBox {x0, -e, -(S + W)/2*1.1, (S + W)/2*1.1, D/2*1.1, 0.02*W};
EndIf
If (Form == 2)
  yoke() = Volume In BoundingBox {Whole ? -YL/2 - e : -e, -e, -J - YT - e, YL/2 + e, YW/2 + e, -J + e};
EndIf
If (Keep)
  keep() = Volume In BoundingBox {Whole ? -KL/2 - e : -e, -e, L + G - e, KL/2 + e, KW/2 + e, L + G + KT + e};
EndIf
inside() = Volume In BoundingBox {x0, -e, zc - R1 - e, R1 + e, R1 + e, zc + R1 + e};
all() = Volume{:};
shell() = all(); shell() -= inside();
air() = inside(); air() -= limb(); air() -= yoke(); air() -= keep(); air() -= disc();
Physical Volume(1) = {limb()};
Physical Volume(2) = {yoke()};
Physical Volume(3) = {keep()};
Physical Volume(4) = {air()};
Physical Volume(5) = {shell()};
If (Keep)
  Physical Volume(6) = {disc()};
EndIf
If (!Whole)
  Physical Surface(11) = Surface In BoundingBox {-e, -e, zc - R2 - e, e, R2 + e, zc + R2 + e};
EndIf
so() = Boundary{ Volume{shell()}; };
si() = Boundary{ Volume{inside()}; };
so() -= si();
so() -= Surface In BoundingBox {-e, -e, zc - R2 - e, e, R2 + e, zc + R2 + e};
so() -= Surface In BoundingBox {Whole ? -R2 - e : -e, -e, zc - R2 - e, R2 + e, e, zc + R2 + e};
Physical Surface(12) = {so()};

// Sizes: fine round the rims of gap and joint, coarse in the body, coarser outside.
lead = Sqrt(W * D);
rims() = {}; feet() = {};
For side In {0 : (Form == 0 || !Whole) ? 0 : 1}
  cx = side ? -S/2 : S/2;
  rims() += Curve In BoundingBox {cx - PW/2 - e, -e, L - e, cx + PW/2 + e, PD/2 + e, L + (Keep ? G : 0) + e};
  If (J > 0)
    feet() += Curve In BoundingBox {cx - W/2 - e, -e, -J - e, cx + W/2 + e, D/2 + e, e};
  EndIf
EndFor
rim = Keep ? Max(G/2.5, lead/45) * Fine : lead/8 * Fine;
Field[1] = Distance;
Field[1].NumPointsPerCurve = 100;
Field[1].EdgesList = {rims()};
Field[2] = Threshold;
Field[2].IField = 1;
Field[2].LcMin = rim; Field[2].LcMax = 3*R1; Field[2].DistMin = 0.6*rim; Field[2].DistMax = 0.6*rim + 3*R1/0.32;
Field[3] = MathEval;
Field[3].F = Sprintf("%g + 0.125*sqrt((abs(x)-%g+abs(abs(x)-%g))^2 + (y-%g+abs(y-%g))^2 + (z-%g+abs(z-%g))^2 + (abs(z+%g)-z-%g)^2)",
  Min(lead, Min(W, D))/4.5*Fine, wide, wide, deep, deep, high, high, 0 - low, 0 - low);
fields() = {2, 3};
If (Keep)
  Field[4] = MathEval;
  Field[4].F = Sprintf("%g + 0.35*abs(z-%g) + 0.15*sqrt((abs(x)-%g+abs(abs(x)-%g))^2 + (y-%g+abs(y-%g))^2)",
    Max(rim, lead/11*Fine), L + G/2, KL/2, KL/2, KW/2, KW/2);
  Field[5] = MathEval; // a thin keeper: two elements through it
  Field[5].F = Sprintf("%g + 0.3*sqrt((abs(x)-%g+abs(abs(x)-%g))^2 + (y-%g+abs(y-%g))^2 + (abs(z-%g)-%g+abs(abs(z-%g)-%g))^2)",
    Max(0.7*KT, lead/9)*Fine, KL/2, KL/2, KW/2, KW/2, L + G + KT/2, KT/2, L + G + KT/2, KT/2);
  fields() += {4, 5};
EndIf
If (J > 0)
  Field[6] = Distance;
  Field[6].NumPointsPerCurve = 100;
  Field[6].EdgesList = {feet()};
  Field[7] = Threshold;
  Field[7].IField = 6;
  Field[7].LcMin = lead/20*Fine; Field[7].LcMax = 3*R1; Field[7].DistMin = 0.03*lead; Field[7].DistMax = 0.03*lead + 3*R1/0.35;
  fields() += {7};
EndIf
Field[9] = Min;
Field[9].FieldsList = {fields()};
Background Field = 9;
Mesh.CharacteristicLengthFromPoints = 0;
Mesh.CharacteristicLengthExtendFromBoundary = 0;
Mesh.CharacteristicLengthMax = R1/3;
Mesh.Algorithm3D = 1;
Mesh.ElementOrder = 2; // curved, or a round limb would lose 4 % of its section
Mesh.MshFileVersion = 2.2;
