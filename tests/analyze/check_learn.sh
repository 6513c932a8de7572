#!/bin/sh
# Learning at the command line: what is refused, what is learnt, that verdicts use it, and that
# forgetting brings the earlier verdict back. All figures are invented: eight signal-arm coils whose
# resistances lie 4 % high together, as one spool of thin wire has it, and weigh 3 % less.
. "$(dirname "$0")/cli.sh"
printed() {
    tr -s ' \n' '  ' <out
}

expect 2 'no such database' learn
tw coil add "$root/fixtures/signal-arm.ini" >/dev/null
tw predict signal-arm --json >p.json
figure() {
    python3 -c 'import json, sys; print(json.load(open("p.json"))["figures"][sys.argv[1]]["value"])' "$1"
}
ra=$(figure resistance_a)
rb=$(figure resistance_b)
mass=$(figure wire_mass)

named=
# coil NAME SCATTER: one sitting; SCATTER in per cent on top of the lot's own.
coil() {
    sed "s/^name *=.*/name = $1/; $named" "$root/fixtures/signal-arm.ini" >c.ini
    tw coil add c.ini >/dev/null
    for limb in a b; do
        [ $limb = a ] && r=$ra || r=$rb
        r=$(python3 -c "print(f'{$r * 1.04 * (1 + $2 / 100):.5f}')")
        tw observe "$1" limb-$limb resistance "$r ohm" --temperature '20 degC +- 0.3 K' --wires 4 \
            --instrument meter --accuracy '0.3 %' >/dev/null
    done
    tw observe "$1" limb-a polarity north >/dev/null
    tw observe "$1" limb-b polarity south >/dev/null
    m=$(python3 -c "print(f'{1e3 * $mass * 0.97 * (1 + $2 / 200):.3f}')")
    tw observe "$1" pair wire-mass "$m g +- 0.1 g" --instrument scale >/dev/null
}

expect 0 'nothing is learnt yet' learn
expect 2 'expected the names' learn --from
expect 2 'say --from' learn arm-1
expect 2 'do not go together' learn --good --even-so
expect 2 'do not go together' learn --forget x --good
expect 2 "no option '--best'" learn --best
expect 2 'nothing was measured on it' learn --from signal-arm
expect 2 'no coil whose name begins' learn --batch relay-
expect 2 'none of the 1 coils is proven good' learn --good
expect 2 "no coil 'arm-9'" learn --from arm-9
for n in 1 2 3 4 5 6 7 8; do
    coil "arm-$n" "$(python3 -c "print([0.2, -0.3, 0.1, 0.4, -0.2, 0, -0.1, -0.3][$n - 1])")"
done
tw verify arm-8 --json --unrecorded >before.json || true
expect 2 'named twice' learn --from arm-1 arm-1
expect 0 'wire-lot/0.25 mm' learn --batch arm- --even-so
tw learn --json >learnt.json
tw verify arm-8 --json --unrecorded >after.json || true
python3 - <<'END'
import json
def estimate(name, of):
    e = [e for e in json.load(open(of))["estimates"] if e["name"] == name][0]
    return e["median"], e["high"] - e["low"]
rows = {r["key"]: r for r in json.load(open("learnt.json"))["rows"]}
lot = rows["wire-lot/0.25 mm"]
assert lot["coils"] == 8 and 0 < lot["prior_share"] < 50, lot
# ohms up by 4 %, weight down by 3 %: between the two for the lot, whatever the turns do
assert 1.5 < lot["value"] < 5 and lot["value_u"] < lot["before_u"], lot
for name in "mean turn against geometry", "resistance per metre against table":
    before, after = estimate(name, "before.json"), estimate(name, "after.json")
    assert after[1] < 0.9 * before[1], (name, before, after)
before, after = json.load(open("before.json")), json.load(open("after.json"))
assert before["digest"] != after["digest"]
assert after["pass_probability"] > before["pass_probability"] - 0.01, (before, after)
END
# A spool and a winder that the design names have figures of their own: those of the unnamed wire do
# not bear on them.
named='s/^\[wire\]/[wire]\nspool = B/; s/^\[winding\]/[winding]\nwinder = Ada/'
sed "s/^name *=.*/name = other/; $named" "$root/fixtures/signal-arm.ini" >c.ini
expect 0 'version 1' coil add c.ini
tw observe other limb-a resistance "$ra ohm" --temperature '20 degC +- 0.3 K' --wires 4 \
    --instrument meter --accuracy '0.3 %' >/dev/null
for n in 1 2 3 4; do
    coil "spool-$n" 0
done
tw verify other --json --unrecorded >other.json || true
python3 - <<'END'
import json
def lot(of):
    e = [e for e in json.load(open(of))["estimates"] if e["name"] == "resistance per metre against table"]
    return e[0]["median"]
# its ohms are those of the table, where the other spool's are 4 % above
assert abs(lot("other.json")) < 0.01 < lot("after.json"), (lot("other.json"), lot("after.json"))
END
expect 0 'wire-lot/0.25 mm/B' learn --batch spool- --even-so
expect 0 'mean-turn/square/Ada' learn --json
expect 2 'x' learn --forget wire-lot/x
for key in $(tw learn --json | python3 -c '
import json, sys
for r in json.load(sys.stdin)["rows"]:
    print(r["key"].replace(" ", "_"))'); do
    expect 0 'is forgotten' learn --forget "$(echo "$key" | tr _ ' ')"
done
expect 0 'nothing is learnt yet' learn
expect 0 'forgotten' learn --all
tw verify arm-8 --json --unrecorded >again.json || true
cmp before.json again.json || failed=1
# A coil with a limb the wrong way round teaches nothing.
tw observe arm-1 limb-b polarity north --remark 'wound the wrong way' >/dev/null
tw observe arm-1 limb-a polarity north >/dev/null
expect 2 'arm-1 is not proven good' learn --from arm-1 arm-2
[ "$failed" = 0 ] && echo "learn: as it should"
exit "$failed"
