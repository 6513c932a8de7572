#!/bin/sh
# What programs read: JSON and CSV of the commands, by Python's json and csv modules and by UDUNITS-2
# itself; and that text fits a terminal of 80 columns.
#   check_forms.sh BUILD_DIR
. "$(dirname "$0")/cli.sh"

# Two coils of invented readings: turns missing on limb B; limb A open.
for coil in short open; do
    sed "s/arm-1/$coil/" "$root/fixtures/arm.ini" >$coil.ini
    tw coil add $coil.ini >out
done
for limb in a b; do
    ohm=42.0
    [ $limb = a ] || ohm=36.2
    tw observe short limb-$limb resistance "$ohm ohm" --temperature '20 degC' >out
done
tw observe short pair resistance '78.2 ohm' --temperature '20 degC' --json >observed.json
tw observe short limb-a polarity north >out
tw observe short limb-b polarity south >out
tw observe short pair wire-mass '193 g' >out
tw observe open limb-a resistance '> 20 Mohm' >out
tw observe open pair resistance '> 20 Mohm' >out
tw observe open limb-b resistance '42 ohm' >out

# judged COIL FORM: verify has an exit status of its own.
judged() {
    tw verify "$1" --unrecorded "--$2" >"$1.$2" || [ $? = 1 ] || complain "verify $1 --$2"
}
for coil in short open; do
    judged $coil json
    judged $coil csv
done

cat >units.py <<'PYTHON'
"""Whether UDUNITS-2 reads a unit, and as what."""
import ctypes
lib = ctypes.CDLL("libudunits2.so.0")
lib.ut_read_xml.restype = lib.ut_parse.restype = ctypes.c_void_p
lib.ut_parse.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int]
lib.ut_are_convertible.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
lib.ut_ignore.restype = ctypes.c_int
lib.ut_set_error_message_handler.argtypes = [ctypes.c_void_p]
lib.ut_set_error_message_handler(ctypes.cast(lib.ut_ignore, ctypes.c_void_p))
system = lib.ut_read_xml(None)
def read(unit):
    return lib.ut_parse(system, unit.encode(), 0)
def same(unit, other):
    a, b = read(unit), read(other)
    return bool(a and b and lib.ut_are_convertible(a, b))
assert same("degC", "kelvin") and not same("C", "kelvin") and not read("degreees")
PYTHON

python3 - <<'PYTHON' || complain "verify"
import csv, json, math
from units import read, same

def units(value, found):
    if isinstance(value, dict):
        if "unit" in value:
            found.append(value["unit"])
        value = list(value.values())
    if isinstance(value, list):
        for part in value:
            units(part, found)
    return found

short, opened = (json.load(open(name + ".json", encoding="utf-8")) for name in ("short", "open"))
for v in (short, opened):
    found = units(v, [])
    assert len(found) > 8, found
    for unit in found:
        assert read(unit), unit
    for f in v["findings"]:
        # no figure that stands for something else
        assert f["log_evidence"] is None or abs(f["log_evidence"]) < 1e9, f
        assert f["log_evidence"] is not None or f["why"], f
    for e in v["estimates"]:
        assert all(e[key] is not None for key in ("median", "low", "high")) or e["why"], e
estimate = {e["name"]: e for e in opened["estimates"]}
assert estimate["resistance of limb A at 20 C"]["median"] is None
assert "open" in estimate["resistance of limb A at 20 C"]["why"]
assert same(estimate["coil temperature"]["unit"], "kelvin")
assert any(f["log_evidence"] is None for f in short["findings"])
lead = short["findings"][0]
assert lead["finding"] == "turns-b", lead
(figure,) = lead["figures"]
assert figure["name"] == "turns of limb B" and figure["expected"] == 3060, figure
assert figure["low"] < figure["median"] < figure["high"] < 3060, figure
assert figure["unit"] == "1" and figure["coverage"] == 0.95, figure

for name, v in (("short", short), ("open", opened)):
    rows = list(csv.DictReader(open(name + ".csv", newline="", encoding="utf-8"), strict=True))
    assert all(None not in row and None not in row.values() for row in rows), "ragged"
    (verdict,) = [r for r in rows if r["item"] == "verdict"]
    assert verdict["coil"] == name and verdict["name"] == v["verdict"], verdict
    findings = [r for r in rows if r["item"] == "finding"]
    assert [r["finding"] for r in findings] == [f["finding"] for f in v["findings"]] + ["unknown"]
    assert abs(sum(f["probability"] for f in v["findings"]) + v["unknown_probability"] - 1) < 1e-6
    assert abs(sum(float(r["value"]) for r in findings) - 1) < 1e-6
    figures = [r for r in rows if r["item"] == "figure"]
    assert len(figures) == sum(len(f["figures"]) for f in v["findings"])
    for r in rows:
        assert not r["value"] or read(r["unit"]), r
        assert not r["low"] or float(r["low"]) <= float(r["value"]) <= float(r["high"]), r
estimates = {r["name"]: r for r in rows if r["item"] == "estimate"}
assert math.isinf(float(estimates["resistance of limb A at 20 C"]["value"]))
observed = json.load(open("observed.json", encoding="utf-8"))
assert same(observed["unit"], "ohm") and observed["u"] > 0, observed
PYTHON

# A rectangular limb with a wrap of something; enamel without one; a stated limit.
sed 's/name = arm-1/name = flat/; s/limb = round 8 mm/limb = rectangular 8 mm x 10 mm/' \
    "$root/fixtures/arm.ini" >flat.ini
sed 's/name = arm-1/name = plain/; /^wrap/d' "$root/fixtures/arm.ini" >plain.ini
sed 's/name = arm-1/name = stated/' "$root/fixtures/arm.ini" >stated.ini
printf '\n[limits]\ntemperature max = 130 degC\n' >>stated.ini
for coil in flat plain stated; do
    tw predict $coil.ini >out
    fits "predict $coil"
    cp out $coil.text
    tw predict $coil.ini --json >$coil.json
    tw predict $coil.ini --csv >$coil.csv
done
# A figure is one line: its name, its value and its interval are not broken.
for words in 'time constant, no keeper  *[0-9.]* ± [0-9.]* ms  *[0-9.]* to [0-9.]* ' \
    'ampere-turns, whole core  *[0-9.]* ± [0-9.]* A' \
    'current, end of a pulse  *[0-9.]* mA  *[0-9.]* to [0-9.]*'; do
    grep -q "^$words" plain.text || complain "predict has no line '$words'"
done
# IEC 60085: class Y 90 C, class A 105 C (read second-hand). Enamelled wire is not class Y.
grep -q 'wrap, taken as paper (class Y): 90 °C, assumed' flat.text || complain "class of the wrap"
grep -q 'enamel, taken as class A: 105 °C, assumed' plain.text || complain "class of the enamel"
grep -q 'own limit: 130 °C$' stated.text || complain "the stated limit"
if grep -q 'assumed' stated.text; then complain "a stated limit is not assumed"; fi
grep -q '^outside width, limb a' flat.text || complain "a flat limb has no diameter"
grep -q 'caliper lies along the first size of the limb, 8 mm' flat.text || complain "caliper"
if grep -q 'caliper' plain.text; then complain "a round limb has one diameter"; fi
python3 - <<'PYTHON' || complain "predict"
import csv, json
from units import read, same
for name in ("flat", "plain", "stated"):
    p = json.load(open(name + ".json", encoding="utf-8"))
    rows = list(csv.DictReader(open(name + ".csv", newline="", encoding="utf-8"), strict=True))
    assert [r["figure"] for r in rows] == list(p["figures"]), name
    for r in rows:
        f = p["figures"][r["figure"]]
        assert read(r["unit"]) and r["unit"] == f["unit"], r
        assert abs(float(r["value"]) - f["value"]) <= 1e-9 * abs(f["value"]), r
        for key in ("u", "low", "high"):
            assert (f.get(key) is None) == (r[key] == ""), (key, r)
            assert r[key] == "" or float(r[key]) is not None
        if r["low"]:
            assert float(r["low"]) <= float(r["value"]) <= float(r["high"]), r
    f = p["figures"]
    assert same(f["temperature"]["unit"], "kelvin") and same(f["battery_life"]["unit"], "s")
    assert same(f["pulse_charge"]["unit"], "A s") and same(f["wire_mass"]["unit"], "g")
    # A pulse has an interval. What a keeper that stays off lets through: the closed form of an L/R
    # rise, Q = (V / R) (t - tau (1 - exp(-t / tau))), tau = L / R, t = 0.2 s.
    import math
    V, t = 3.0, 0.2
    R = f["resistance_pair"]["value"]
    source = V / f["current"]["value"] - R
    for L, end in ((f["inductance_on"]["value"], "value"), (f["inductance_off"]["value"], "high")):
        tau = L / (R + source)
        Q = V / (R + source) * (t - tau * (1 - math.exp(-t / tau)))
        q = f["pulse_charge"][end]
        assert abs(Q / q - 1) < (1e-6 if end == "value" else 0.12), (L, Q, q)
        assert end == "value" or q > Q, (Q, q)
PYTHON

# The sheets: a bound is told as one; rows of a winding without order are no layers; which way the
# caliper lies on a flat limb.
tw sheet open -o open.html >out
grep -q '&gt; 20 MΩ' open.html || complain "a bound on the sheet"
sed 's/name = arm-1/name = wild/; s/limb = round 8 mm/limb = rectangular 8 mm x 10 mm/
    s/^turns = .*/turns = 1500\nlayers = scramble/' "$root/fixtures/arm.ini" >wild.ini
tw sheet wild.ini --blank -o wild.html >out
grep -q '>Stretch</th>' wild.html || complain "head of the rows of a scramble winding"
if grep -q '>Layer</th>' wild.html; then complain "a scramble winding has no layers"; fi
grep -q 'along the first size of the limb' wild.html || complain "size along which side"
tw coil add flat.ini >out
tw observe flat limb-a diameter '26 mm' >out
grep -q 'along its first size, 8 mm' out || complain "which way the caliper lay"

# The wires to choose from, one a line, good or not; what empties the battery in a day is not good.
for how in '' --all '--sizes swg' '--sizes awg --all'; do
    # shellcheck disable=SC2086
    tw plan "$root/fixtures/distant.ini" $how >out
    fits "plan $how"
    [ "$(grep -cE '^[0-9.]+ (mm|SWG|AWG) .*(good|best)$' out)" -ge 10 ] || complain "plan $how: no rows"
done
if grep -E ' 0 +0  ● good' out; then complain "a battery of no days is good"; fi

# Every table of a command is a rectangle with a name of its own over each column.
for table in "plan $root/fixtures/distant.ini --sizes swg" 'coil list' 'predict short' irons \
    'wire 31SWG' readings 'compare short open' learn battery fleet; do
    # shellcheck disable=SC2086
    tw $table --csv >table.csv || complain "$table --csv"
    python3 - "$table" <<'PYTHON' || complain "CSV of $table"
import csv, sys
rows = list(csv.reader(open("table.csv", newline="", encoding="utf-8"), strict=True))
assert all(rows[0]), rows[0]
assert len(set(rows[0])) == len(rows[0]), rows[0]
assert all(len(row) == len(rows[0]) for row in rows), "ragged"
PYTHON
done

[ "$failed" = 0 ] && echo "forms: as they should"
exit "$failed"
