#!/bin/sh
# Coils against each other: a few wild ones are named, designs are not mixed on one chart, and a
# chart is drawn of what there is. All readings here are invented.
#   check_compare.sh BUILD_DIR
. "$(dirname "$0")/cli.sh"

# coil NAME OHM_A [TURNS]: a coil whose limb A alone was measured.
coil() {
    sed "s/arm-1/$1/; s/turns = 3060/turns = ${3:-3060}/" "$root/fixtures/arm.ini" >"$1.ini"
    tw coil add "$1.ini" >out
    tw observe "$1" limb-a resistance "$2 ohm" --temperature '20 degC' >out
}

# Twelve coils that agree and three wild ones, which by themselves would widen the limits (mean and
# moving ranges of all fifteen: -5 to 111 ohm) until none is odd.
n=0
for ohm in 42.1 42.3 41.9 84.2 42.0 42.2 3.1 42.1 41.8 42.2 75.0 42.0 42.3 42.1 41.9; do
    n=$((n + 1))
    coil "$(printf 'lot-%02d' $n)" $ohm
done
tw compare --batch lot- >out
grep -q '15 coils, 3 set aside); outside: lot-04 lot-07 lot-11$' out ||
    [ "$(tr '\n' ' ' <out | grep -c '15 coils, 3 set *aside); *outside: *lot-04 *lot-07 *lot-11')" = 1 ] ||
    complain "wild coils hide: $(cat out)"
fits "the batch"
tw compare --batch lot- --json >out
python3 - <<'PYTHON' || complain "charts in JSON"
import json, statistics
(chart,) = json.load(open("out"))["charts"]
assert chart["measure"] == "resistance-a" and chart["coils"] == 15, chart
assert chart["outside"] == ["lot-04", "lot-07", "lot-11"], chart
# The limits of the twelve others, by the handbook's formula (NIST/SEMATECH 6.3.2.2).
rows = {r["coil"]: r["resistance-a"] for r in json.load(open("out"))["rows"]}
good = [v for k, v in sorted(rows.items()) if k not in chart["outside"]]
mean = statistics.fmean(good)
ranges = statistics.fmean(abs(a - b) for a, b in zip(good, good[1:]))
assert abs(chart["mean"] - mean) < 1e-9, (chart, mean)
assert abs(chart["high"] - (mean + 3 * ranges / 1.128)) < 1e-9, chart
PYTHON

# The pair was not measured: the limb is drawn; what is asked for and not there is refused.
tw compare --batch lot- --plot chart.svg >out
grep -q '^chart of resistance-a in chart.svg$' out || complain "no chart of the limb"
grep -q '3 wild coils set aside' chart.svg || complain "the chart does not say what was set aside"
if tw compare --batch lot- --plot no.svg --of pull >out 2>&1; then complain "a chart of nothing"; fi
grep -q 'resistance-a has 15' out || complain "does not say what could be drawn: $(cat out)"
if tw compare --batch lot- --plot no.svg --of ohms >out 2>&1; then complain "a chart of ohms"; fi
grep -q "read 'ohms', expected resistance-pair" out || complain "does not say what --of takes"

# Coils of another design have limits of their own and no place on that chart.
for i in 1 2 3 4; do
    coil lot-new-$i 40.$i 2900
done
coil lot-odd 21.0 1530
tw compare --batch lot- >out
tr '\n' ' ' <out >flat
grep -q 'as lot-01 (15 coils), R limb A: mean' flat || complain "limits of the first design"
grep -q 'as lot-new-1 (4 coils), R limb A: mean' flat || complain "limits of the second design"
grep -q 'as lot-odd (1 coil): too few' flat || complain "a single coil has no limits"
if tw compare --batch lot- --plot no.svg >out 2>&1; then complain "designs mixed on a chart"; fi
grep -q 'a chart shows coils of one design; these are of 3' out || complain "$(cat out)"
[ ! -e no.svg ] || complain "a refused chart was written"

[ "$failed" = 0 ] && echo "compare: as it should"
exit "$failed"
