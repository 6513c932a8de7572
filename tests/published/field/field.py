"""Solves magnets with gmsh and getdp. Used by ./recompute; needs only python3, gmsh, getdp."""
import math
import os
import shutil
import subprocess
import tempfile

HERE = os.path.dirname(os.path.abspath(__file__))
MU0 = 4e-7 * math.pi


def read_curve(name):
    """Pairs (H in A/m, B in T) and saturation polarisation from curves/NAME.txt."""
    pairs, js = [], 2.1
    with open(os.path.join(HERE, "curves", name + ".txt")) as f:
        for line in f:
            line = line.split("#")[0].split()
            if line and line[0] == "saturation":
                js = float(line[1])
            elif line:
                pairs.append((float(line[0]), float(line[1])))
    return pairs, js


def steffen(xs, ys):
    """Slopes of Steffen's monotone interpolation (Astron. Astrophys. 239 (1990) 443, eq. 11, 22, 23)."""
    n = len(xs)
    h = [xs[i + 1] - xs[i] for i in range(n - 1)]
    s = [(ys[i + 1] - ys[i]) / h[i] for i in range(n - 1)]
    d = [0.0] * n
    for i in range(1, n - 1):
        p = (s[i - 1] * h[i] + s[i] * h[i - 1]) / (h[i - 1] + h[i])
        sg = lambda v: (v > 0) - (v < 0)
        d[i] = (sg(s[i - 1]) + sg(s[i])) * min(abs(s[i - 1]), abs(s[i]), 0.5 * abs(p))
    for i, j, a, b in ((0, 0, 0, 1), (n - 1, n - 2, n - 2, n - 3)):
        p = s[a] * (1 + h[a] / (h[a] + h[b])) - s[b] * h[a] / (h[a] + h[b])
        if p * s[a] <= 0:
            p = 0.0
        elif abs(p) > 2 * abs(s[a]):
            p = 2 * s[a]
        d[i] = p
    return d


def fine_curve(pairs, js):
    """(H, B) on a fine grid: H(B) by Steffen through the pairs and their mirror image, and beyond
    them dH/dB rising exponentially to 1/mu0 while B - mu0 H goes to js."""
    b = [-p[1] for p in reversed(pairs)] + [0.0] + [p[1] for p in pairs]
    h = [-p[0] for p in reversed(pairs)] + [0.0] + [p[0] for p in pairs]
    d = steffen(b, h)
    out = []
    for k in range(len(pairs), len(b) - 1):
        w = b[k + 1] - b[k]
        for i in range(12):
            t = i / 12
            y = (h[k] * (1 + 2 * t) * (1 - t) ** 2 + h[k + 1] * t * t * (3 - 2 * t)
                 + w * (d[k] * t * (1 - t) ** 2 - d[k + 1] * t * t * (1 - t)))
            out.append((y, b[k] + t * w))
    bl, hl, dl = b[-1], h[-1], d[-1]
    b0 = (js - (bl - MU0 * hl)) / (1 - MU0 * dl)
    for i in range(200):
        x = i * 0.02
        out.append((hl + x / MU0 - (1 / MU0 - dl) * b0 * (1 - math.exp(-x / b0)), bl + x))
    return out


def write_curve(work, name):
    """curve.pro in the directory work: bh() and wh() of that curve."""
    curve, w = fine_curve(*read_curve(name)), 0.0
    with open(os.path.join(work, "curve.pro"), "w") as f:
        f.write("Function { bh() = {")
        f.write(", ".join("%.10g, %.10g" % p for p in curve))
        f.write("}; wh() = {")
        for i, (h, b) in enumerate(curve):
            if i:
                w += 0.5 * (b + curve[i - 1][1]) * (h - curve[i - 1][0])
            f.write("%s%.12g, %.12g" % (", " if i else "", h, w))
        f.write("}; }\n")


def scaled(source, target, factor):
    with open(source) as f:
        lines = f.read().split("\n")
    i = lines.index("$Nodes")
    for k in range(i + 2, i + 2 + int(lines[i + 1])):
        p = lines[k].split()
        lines[k] = p[0] + " " + " ".join("%.12g" % (float(v) * factor) for v in p[1:])
    with open(target, "w") as f:
        f.write("\n".join(lines))


def solve(case, fine=1.0, limit=1200):
    """A U magnet. case: D S L G KL KW KT YL YW YT in mm, NI in A per limb, aiding 0/1, curve name. Returns a dict in SI."""
    work = tempfile.mkdtemp(prefix="field")
    try:
        for name in ("umagnet.pro", "magnetostatics.pro"):
            shutil.copy(os.path.join(HERE, name), work)
        geo = os.path.join(HERE, "umagnet.geo")
        args = ["nice", "-n", "2", "gmsh", "-3", "-v", "1", "-o", os.path.join(work, "mm.msh"), geo, "-setnumber", "Fine", str(fine)]
        for k in "D S L G KL KW KT YL YW YT".split():
            args += ["-setnumber", k, repr(float(case[k]))]
        subprocess.run(args, check=True, timeout=limit, stdout=subprocess.DEVNULL)
        scaled(os.path.join(work, "mm.msh"), os.path.join(work, "m.msh"), 1e-3)
        write_curve(work, case["curve"])
        d = {k: float(case[k]) * 1e-3 for k in "D S L G KL KW KT YL YW YT".split()}
        r1 = 1.6 * math.sqrt(max(d["KL"], d["YL"]) ** 2 / 4 + ((d["L"] + d["G"] + d["KT"] + d["YT"]) / 2) ** 2 + d["KW"] ** 2 / 4)
        number = {"NI": case["NI"], "Zs0": 0, "Zs1": d["L"], "Aiding": case["aiding"], "G": d["G"], "L": d["L"],
                  "KL": d["KL"], "KW": d["KW"], "KT": d["KT"], "R1": r1, "R2": 1.35 * r1,
                  "ZC": (d["L"] + d["G"] + d["KT"] - d["YT"]) / 2, "Margin": 0.4 * d["D"]}
        args = ["nice", "-n", "2", "getdp", "umagnet.pro", "-msh", "m.msh", "-solve", "Solve", "-pos", "Results", "-v", "3"]
        for k, v in number.items():
            args += ["-setnumber", k, repr(float(v))]
        log = subprocess.run(args, cwd=work, check=True, timeout=limit, stdout=subprocess.PIPE, text=True).stdout
        steps = [line for line in log.split("\n") if line.startswith("step")]
        r = {"steps": len(steps), "change": float(steps[-1].split()[-1])}
        for k in ("pull", "linkage", "top", "bottom", "keeper", "yoke", "energy"):
            with open(os.path.join(work, k + ".txt")) as f:
                r[k] = float(f.read().split()[-1])
        return r
    finally:
        shutil.rmtree(work)


def solve_measured(ni, fine=1.0, limit=1200):
    """The measured magnet of TEAM Workshop problem 20 at ni ampere-turns: force, mean flux densities."""
    work = tempfile.mkdtemp(prefix="field")
    try:
        for name in ("team20.pro", "magnetostatics.pro"):
            shutil.copy(os.path.join(HERE, name), work)
        subprocess.run(["nice", "-n", "2", "gmsh", "-3", "-v", "1", "-o", os.path.join(work, "mm.msh"), os.path.join(HERE, "team20.geo"),
                        "-setnumber", "Fine", str(fine)], check=True, timeout=limit, stdout=subprocess.DEVNULL)
        scaled(os.path.join(work, "mm.msh"), os.path.join(work, "m.msh"), 1e-3)
        write_curve(work, "low-carbon-steel")
        log = subprocess.run(["nice", "-n", "2", "getdp", "team20.pro", "-msh", "m.msh", "-solve", "Solve", "-pos", "Results", "-v", "3",
                              "-setnumber", "NI", repr(ni)], cwd=work, check=True, timeout=limit, stdout=subprocess.PIPE, text=True).stdout
        steps = [line for line in log.split("\n") if line.startswith("step")]
        r = {"steps": len(steps), "change": float(steps[-1].split()[-1])}
        for k in ("pull", "pole", "frame", "gap"):
            with open(os.path.join(work, k + ".txt")) as f:
                r[k] = float(f.read().split()[-1])
        return r
    finally:
        shutil.rmtree(work)
