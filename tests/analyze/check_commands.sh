#!/bin/sh
# The analyzer at the command line: what is printed, what is refused, and the exit status.
. "$(dirname "$0")/cli.sh"

# full COMMAND...: what cannot be printed is not passed over, not even the version.
full() {
    got=0
    tw "$@" >/dev/full 2>err || got=$?
    [ "$got" = 2 ] && grep -q 'could not be written' err || {
        echo "truewound $* to a full disk: exit status $got, $(cat err)"
        failed=1
    }
    got=0
    tw "$@" >&- 2>err || got=$?
    [ "$got" = 2 ] && grep -q 'could not be written' err || {
        echo "truewound $* without an output: exit status $got, $(cat err)"
        failed=1
    }
}

full --version
full help
full irons
expect 2 'usage: truewound'
expect 0 'verify' --help
expect 2 "no command 'judge'" judge
expect 2 'no such database' coil list
expect 2 "no option '-3 AWG'" wire '-3 AWG'
expect 2 "the option '--bare' lacks its value" wire --bare
expect 2 'not both' --json --csv irons
expect 2 'not both' irons --json --csv
expect 0 'soft iron' irons --plain
expect 2 'cannot be read' coil add none.ini
expect 0 'design version 1 recorded' coil add "$root/fixtures/arm.ini"
expect 0 'design version 1 is the newest' coil add "$root/fixtures/arm.ini"
sed 's/turns = 3060/turns = 2900/' "$root/fixtures/arm.ini" >arm2.ini
expect 0 'design version 2' coil add arm2.ini
sed 's/size = 31 SWG/size = 31/' "$root/fixtures/arm.ini" >bad.ini
expect 2 'bad.ini:19: [wire] size' coil add bad.ini
sed 's/name = arm-1/name = --db/' "$root/fixtures/arm.ini" >bad.ini
expect 2 'no - or . in front' coil add bad.ini

expect 0 'arm-1' coil list
expect 0 'turns = 2900' coil show arm-1
expect 2 "no coil 'arm-9'" coil show arm-9
expect 0 'pull' predict arm-1
expect 2 'expected pull-gap' predict arm-1 --curve force -o x.svg
expect 0 'pull-gap in pull.svg' predict arm-1 --curve pull-gap -o pull.svg
xmllint --noout pull.svg 2>/dev/null || python3 -c 'import xml.dom.minidom; xml.dom.minidom.parse("pull.svg")'
expect 0 'best' plan "$root/fixtures/distant.ini"
expect 1 'None of these wires does it' plan "$root/fixtures/distant.ini" --wires '0.05 mm'
expect 2 '--wires' plan "$root/fixtures/distant.ini" --wires 'string'

expect 3 'undecided  (no measurement)' verify arm-1
expect 2 'unit is missing' observe arm-1 limb-a resistance 42
expect 2 "there is no 'resistanse'" observe arm-1 limb-a resistanse '42 ohm'
expect 2 "has no polarity" observe arm-1 pair polarity north
expect 2 'north, south or none' observe arm-1 limb-a polarity up
expect 2 'without --voltage' observe arm-1 pair current '35 mA'
expect 2 '--outcome: read' observe arm-1 pair lift '1 kg' --current '35 mA' --outcome flew
expect 2 'cannot be negative' observe arm-1 pair wire-mass '-3 g'
expect 2 'one word too many' observe arm-1 limb-a resistance 42 ohm
expect 0 'noted as entry 1: resistance of limb A, 39' observe arm-1 limb-a resistance '39 ohm' --temperature '20 degC'
expect 0 'noted as entry 2' observe arm-1 limb-b resistance '39 ohm' --temperature '20 degC'
expect 0 'noted as entry 3' observe arm-1 limb-a polarity north
# A resistance is the same either way: alone it must not prove that both limbs aid.
expect 3 'aiding limbs from cancelling' verify arm-1
expect 0 'noted as entry 4' observe arm-1 limb-b polarity south
expect 0 'noted as entry 5: resistance of limb B, 38.9' observe arm-1 limb-b resistance '38.9 ohm' --supersedes 2
expect 2 'supersed' observe arm-1 limb-b resistance '38.8 ohm' --supersedes 2
expect 2 'would be replaced by a polarity of limb B' observe arm-1 limb-b polarity south --supersedes 1
expect 0 'resistance of limb B, 39 Ω (replaced by entry 5)' coil show arm-1
tw coil show arm-1 >shown.ini && expect 0 'pull' predict shown.ini
tw coil show arm-1 --json | python3 -c '
import json, sys
shown = json.load(sys.stdin)["entries"]
assert [e["entry"] for e in shown] == [1, 2, 3, 4, 5], shown
assert shown[1]["superseded_by"] == 5 and shown[4]["superseded_by"] is None, shown
assert shown[4]["value"] == 38.9 and shown[4]["unit"] == "ohm", shown
'
# Limbs and poles alone leave room for another wire, or a joint; the scale and the pair do not.
expect 3 'undecided' verify arm-1
expect 0 'noted as entry 6' observe arm-1 pair wire-mass '199 g'
expect 0 'noted as entry 7' observe arm-1 pair resistance '78 ohm' --temperature '20 degC'
expect 0 'pass' verify arm-1
tw verify arm-1 --json | python3 -c '
import json, sys
v = json.load(sys.stdin)
assert v["verdict"] == "pass" and v["measurements"] == 6, v
assert abs(sum(f["probability"] for f in v["findings"]) - 1) < 1e-3
'
tw predict arm-1 --json | python3 -c '
import json, sys
p = json.load(sys.stdin)
for name, f in p["figures"].items():
    assert f["value"] is not None, name
    if "u" in f:
        assert f["u"] is not None and f["u"] >= 0, name
    else: # skewed: an interval tells more
        assert f["low"] <= f["value"] <= f["high"], name
assert abs(sum(p["figures"]["resistance_pair"]["budget"].values()) - 1) < 0.01
'
expect 2 'expected NAME -o FILE' sheet arm-1
expect 2 '.html or .pdf' sheet arm-1 -o arm-1.docx
expect 0 'sheet in arm-1.html' sheet arm-1 -o arm-1.html
expect 2 'cannot be written' sheet arm-1 -o /nonexistent/x.html
expect 0 'sheet in arm-1.pdf' sheet arm-1 -o arm-1.pdf
mkdir nothing
(
    tw() { env PATH="$work/nothing" "$build/analyze/truewound" "$@"; }
    expect 2 'no chromium' sheet arm-1 -o never.pdf
    exit "$failed"
) || failed=1
expect 0 'sheet to wind by in wind.html' sheet "$root/fixtures/arm.ini" --blank -o wind.html
expect 0 'sheet to wind by in wind.pdf' sheet arm-1 --blank -o wind.pdf
expect 2 "there is no coil and no file 'arm-9'" sheet arm-9 --blank -o never.pdf
[ ! -e never.pdf ] || {
    echo "a PDF that was not printed was left"
    failed=1
}
for pdf in arm-1.pdf wind.pdf; do
    pdfinfo $pdf | grep -q '^Pages: *1$' && pdfinfo $pdf | grep -q '^Page size:.*A4' || {
        echo "$pdf: not one page of A4"
        failed=1
    }
done
# The reel is weighed before, between and after the limbs of two, before and after a single one.
for place in 'before limb A' 'before limb B' 'after limb B'; do
    grep -q "Weigh the reel, in g:.*$place" wind.html || {
        echo "the sheet to wind by does not ask for the weight $place"
        failed=1
    }
done
# Every turn of the design is on the sheet: 3060 on each limb.
python3 - <<'PYTHON' || failed=1
import re
rows = re.findall(r'<tr><td class="figure">(\d+)</td><td class="figure">(\d+)</td><td class="figure">(\d+)</td>',
                  open("wind.html", encoding="utf-8").read())
turns = [int(r[1]) for r in rows]
assert sum(turns) == 2 * 3060, sum(turns)
assert [int(r[2]) for r in rows].count(3060) == 2
assert all(int(r[2]) == sum(turns[i - int(r[0]) + 1:i + 1]) for i, r in enumerate(rows))
PYTHON
expect 2 'no channel has sent a resistance' take arm-1 limb-a resistance
expect 2 'does not answer' capture arm-1 pair --channel board.current --voltage '3 V' --keeper on
expect 0 'nothing was measured yet' readings
expect 2 'two coils or more' compare arm-1
expect 2 "no coil begins with 'zzz'" compare --batch zzz
expect 2 '--plot is missing' compare arm-1 arm-1 --of pull
# What cannot be done is said before anything is worked out or printed.
for bad in 'lift arm-1 --report' 'compare --batch arm' "plan $root/fixtures/distant.ini"; do
    # shellcheck disable=SC2086
    expect 2 'a plot is written as .svg' $bad --plot x.doc
    [ "$(wc -l <out)" = 1 ] || {
        echo "truewound $bad --plot x.doc: works first and refuses then"
        failed=1
    }
done
expect 2 'a design file is expected' plan arm-1
expect 2 'no coil and no file' predict arm-9
expect 2 "read 'delete', expected add, list or show" coil delete arm-1
expect 2 "'--db' lacks its value" coil list --db
expect 2 'prints no table' lift arm-1 --report --csv
expect 2 'prints no table' observe arm-1 limb-a resistance '40 ohm' --csv
expect 2 'no table' coil show arm-1 --csv
expect 2 'has no JSON' sheet arm-1 -o x.html --json
expect 2 'named twice' compare arm-1 arm-1

expect 0 '± ' observe arm-1 pair wire-mass '207 g'
expect 0 'usually good for' observe arm-1 pair wire-mass '207 g'
expect 0 '42.10 ± 0.2' observe arm-1 limb-a resistance '42.1 ohm +- 0.2 ohm'
# A figure in another unit is asked about where it is noted.
sed 's/arm-1/units/' "$root/fixtures/arm.ini" >units.ini
expect 0 'recorded' coil add units.ini
expect 0 'is the unit right? If not, note it again' observe units pair wire-mass '207 kg'
expect 0 'is the unit right?' observe units limb-a resistance '42 kohm'
expect 0 'is the unit right?' observe units limb-a diameter '25 in'
for right in 'pair wire-mass 207g' 'limb-a resistance 42ohm' 'limb-a diameter 25.5mm'; do
    # shellcheck disable=SC2086
    expect 0 'noted' observe units $right
    if grep -q 'is the unit right' out; then
        echo "a right unit is asked about: $right"
        failed=1
    fi
done
# The leads left on limb A: asked, not refused; not of figures too coarse to tell.
sed 's/arm-1/twins/' "$root/fixtures/arm.ini" >twins.ini
expect 0 'recorded' coil add twins.ini
expect 0 'noted' observe twins limb-a resistance '40 ohm'
expect 0 'noted' observe twins limb-b resistance '40 ohm'
if grep -q 'clips' out; then
    echo "coarse figures alike are asked about"
    failed=1
fi
expect 0 'noted' observe twins limb-a resistance '42.317 ohm'
expect 0 'are the clips on limb B?' observe twins limb-b resistance '42.317 ohm'
expect 0 'noted' observe twins pair resistance '84.63 ohm'
if grep -q 'clips' out; then
    echo "the pair is no twin of a limb"
    failed=1
fi
# A volt drop says what it means beside that of the other limb: 1.439 / 1.502 is 0.958, where like
# turns in series share the supply alike (Kirchhoff's voltage law; common practice, no source).
sed 's/arm-1/drops/' "$root/fixtures/arm.ini" >drops.ini
expect 0 'recorded' coil add drops.ini
expect 2 "no volt-drop; expected one of: limb-a limb-b" observe drops pair volt-drop '3 V'
expect 2 'found mA; expected a voltage' observe drops limb-a volt-drop '35 mA'
expect 2 "as in '< 1 mV'" observe drops limb-a volt-drop '0 V'
expect 2 'cannot be negative' observe drops limb-a volt-drop '-1.5 V'
expect 0 'as designed would be 1.49' observe drops limb-a volt-drop '1.502 V' --voltage '2.99 V'
if grep -q 'over limb' out; then
    echo "one volt drop alone is compared with another"
    failed=1
fi
expect 0 'It is 0.958 of that over limb A' observe drops limb-b volt-drop '1.439 V' --voltage '2.99 V'
expect 0 'by their turns' observe drops limb-b volt-drop '1.439 V' --voltage '2.99 V'
expect 0 'limbs agree' observe drops limb-b volt-drop '1.500 V' --voltage '2.99 V'
expect 0 'less than 1 mV' observe drops limb-b volt-drop '< 1 mV' --voltage '2.99 V'
expect 0 'polarity of limb A, none' observe drops limb-a polarity none
expect 0 'polarity of limb A, none' coil show drops
# A bar has one limb, and what is said of no keeper cannot be lifted: neither stops a verdict.
sed -e 's/arm-1/bar-1/' -e 's/^form = .*/form = bar/' -e '/^\[keeper\]/,/^gap/d' -e '/^spacing/d' \
    -e '/^yoke/d' -e '/^\[work\]/,$d' "$root/fixtures/arm.ini" >bar.ini
expect 0 'recorded' coil add bar.ini
expect 2 'one limb, limb-a; it has no limb-b' observe bar-1 limb-b resistance '42 ohm'
expect 0 'noted' observe bar-1 pair lift '100 g' --current '35 mA' --outcome held
expect 3 'is left out: the design says nothing of what is pulled' verify bar-1
# Still needles: the current is asked for, and nothing is said to be likely by an open limb.
sed 's/arm-1/still/' "$root/fixtures/arm.ini" >still.ini
expect 0 'recorded' coil add still.ini
expect 0 'none' observe still limb-a polarity none
expect 0 'none' observe still limb-b polarity none
expect 3 'was the current on' verify still
expect 0 'noted' observe still limb-b resistance open
expect 0 'noted' observe still pair resistance open
# A volt drop in another unit is asked about before a limb is blamed.
expect 0 'noted' observe still limb-a volt-drop '1.5 mV'
expect 0 'Is the unit of both right' observe still limb-b volt-drop '1.5 V'
# A figure counts for no more than the digits it was read with: one step of a display has a standard
# uncertainty of 0.29 of it (JCGM 100:2008, F.2.2.1, from memory). 1.4 V and 1.3 V condemn no limb.
sed 's/arm-1/coarse/' "$root/fixtures/arm.ini" >coarse.ini
expect 0 'recorded' coil add coarse.ini
expect 0 '1.400 ± 0.029 V' observe coarse limb-a volt-drop '1.4 V'
expect 0 'at the edge of what both can be off' observe coarse limb-b volt-drop '1.3 V'
expect 0 '207.00 ± 0.75 g' observe coarse pair wire-mass '207 g'
expect 0 '20.60 ± 0.50 g' observe coarse limb-a wire-mass '20.6 g'
# The wire of one limb by the reel is a figure of its own, and both make their sum needless.
expect 0 'wire-mass of limb A, 103.0' observe drops limb-a wire-mass '103 g +- 0.1 g'
expect 0 'wire-mass of limb B' observe drops limb-b wire-mass '103.2 g +- 0.1 g'

yes skip | head -80 | tw measure drops --answers - >asked 2>&1 || true
yes skip | head -80 | tw measure twins --answers - >asked-twins 2>&1 || true
grep -q 'pair wire-mass' asked-twins || {
    echo "the weight is not asked for"
    failed=1
}
if grep -q 'pair wire-mass' asked; then
    echo "both limbs were weighed, and their sum is asked for"
    failed=1
fi

# More instruments than the inference keeps apart, then more readings than it takes: none goes unsaid.
sed 's/arm-1/many/' "$root/fixtures/arm.ini" >many.ini
expect 0 'recorded' coil add many.ini
i=0
while [ $i -lt 66 ]; do
    i=$((i + 1))
    expect 0 'noted' observe many limb-a resistance "$((40 + i * i)) ohm" --instrument "m$i" --accuracy '1 %'
    [ $i != 10 ] || expect 3 '10 measurements' verify many
done
expect 3 'and what was taken after it are left out' verify many

[ "$failed" = 0 ] && echo "commands: as they should"
exit "$failed"
