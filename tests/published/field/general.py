"""Solves magnets of any shape that a design file can say (drawn.txt). Used by ./recompute."""
import math
import os
import shutil
import subprocess
import tempfile

from field import HERE, scaled, write_curve

KEYS = "form outline W D L S gap joint KL KW KT YL YW YT PW PD ST wound wrap height NIa NIb curve".split()
FORMS = {"bar": 0, "bent": 1, "yoke": 2}
OUTLINES = {"round": 0, "rectangular": 1, "stadium": 2}
WORDS = ("form", "outline", "curve")


def read_cases(path):
    cases = {}
    with open(path) as f:
        for line in f:
            p = line.split("#")[0].split()
            if p:
                cases[p[0]] = {k: (v if k in WORDS else float(v)) for k, v in zip(KEYS, p[1:])}
    return cases


QUANTITIES = "pull linkage linkage1 face top middle bottom keeper yoke".split()


def numbers(case, keeper, unit):
    """The parameters of magnet.geo and magnet.pro."""
    c = {k: case[k] * unit for k in "W D L S KL KW KT YL YW YT PW PD ST".split()}
    c.update(G=case["gap"] * unit, J=case["joint"] * unit, T=case["wrap"] * unit, H=case["height"] * unit,
             Form=FORMS[case["form"]], Outline=OUTLINES[case["outline"]], Keep=1 if keeper and case["KL"] > 0 else 0)
    if c["Form"] == 0:
        c["S"] = 0.0
    c["Whole"] = 1 if c["Form"] and case["NIa"] != case["NIb"] else 0
    c["Z0"] = (case["L"] - case["wound"]) / 2 * unit
    c["Z1"] = c["Z0"] + case["wound"] * unit
    return c


def solve(case, cancelling=False, keeper=True, fine=1.5, limit=3600):
    """One magnet: a dict in SI. linkage is ampere-turns times flux in A Wb, of both windings, linkage1 of the first."""
    work = tempfile.mkdtemp(prefix="field")
    try:
        for name in ("magnet.pro", "magnetostatics.pro"):
            shutil.copy(os.path.join(HERE, name), work)
        n = numbers(case, keeper, 1.0)
        args = ["nice", "-n", "5", "gmsh", "-3", "-v", "1", "-o", os.path.join(work, "mm.msh"), os.path.join(HERE, "magnet.geo"),
                "-setnumber", "Fine", str(fine)]
        for k, v in n.items():
            args += ["-setnumber", k, repr(v)]
        subprocess.run(args, check=True, timeout=limit, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        scaled(os.path.join(work, "mm.msh"), os.path.join(work, "m.msh"), 1e-3)
        write_curve(work, case["curve"])
        low = {0: 0.0, 1: -(n["S"] + n["W"]) / 2, 2: -n["J"] - n["YT"]}[n["Form"]]
        high = n["L"] + (n["G"] + n["KT"] if n["Keep"] else 0)
        wide, deep = n["S"] / 2 + max(n["W"], n["PW"]) / 2, max(n["D"], n["PD"]) / 2
        if n["Keep"]:
            wide, deep = max(wide, n["KL"] / 2), max(deep, n["KW"] / 2)
        if n["Form"] == 2:
            wide, deep = max(wide, n["YL"] / 2), max(deep, n["YW"] / 2)
        r1 = 1.6 * math.sqrt(wide ** 2 + ((high - low) / 2) ** 2 + deep ** 2)
        m = numbers(case, keeper, 1e-3)
        m.update(N1=case["NIa"], N2=case["NIb"] * (-1 if cancelling else 1), R1=r1 * 1e-3, R2=1.35e-3 * r1, ZC=(low + high) / 2e3,
                 Margin=0.4e-3 * math.sqrt(n["W"] * n["D"]))
        args = ["nice", "-n", "5", "getdp", "magnet.pro", "-msh", "m.msh", "-solve", "Solve", "-pos", "Results", "-v", "3"]
        for k, v in m.items():
            args += ["-setnumber", k, repr(v)]
        p = subprocess.run(args, cwd=work, timeout=limit, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        if p.returncode:
            raise RuntimeError(p.stdout[-2000:])
        steps = [line for line in p.stdout.split("\n") if line.startswith("step")]
        r = {"steps": len(steps), "change": float(steps[-1].split()[-1])}
        for k in QUANTITIES:
            path = os.path.join(work, k + ".txt")
            r[k] = float("nan")
            if os.path.exists(path):
                with open(path) as f:
                    r[k] = float(f.read().split()[-1])
        return r
    finally:
        shutil.rmtree(work)
