#!/bin/sh
# The whole way, ports to verdict: each coil of the simulated railway gets the right leading finding.
# The faults are those that fixtures/railway.ini states; the physics there is its own.
set -eu
build=$1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$(dirname "$0")/../.."

./fixtures/measure-railway "$build" "$work" >"$work.log" 2>&1 || {
    cat "$work.log"
    exit 1
}
rm -f "$work.log"
export TRUEWOUND_DB="$work/truewound.db"

# leading COIL VERDICT FINDING: the verdict, and the finding with the greatest probability.
leading() {
    "$build/analyze/truewound" verify "$1" --json --unrecorded >"$work/$1.json" || true
    python3 - "$work/$1.json" "$2" "$3" <<'PYTHON'
import json, sys
v = json.load(open(sys.argv[1]))
f = v["findings"][0]
print(f'{v["coil"]}: {v["verdict"]}, {f["finding"]} {f["probability"]:.3f}: {f["text"]}')
assert v["verdict"] == sys.argv[2], f'verdict {v["verdict"]}, expected {sys.argv[2]}'
assert f["finding"] == sys.argv[3], f'finding {f["finding"]}, expected {sys.argv[3]}'
if sys.argv[3] == "turns-b":
    short = [e for e in v["estimates"] if e["name"] == "turns of limb B"][0]
    assert short["low"] <= 460 <= short["high"], f'8 % of 500 turns missing, not in {short}'
if sys.argv[3] == "gauge":
    assert "0.224" in f["text"], f["text"]
PYTHON
}
leading arm-1 pass as-designed
leading arm-2 fail turns-b
leading arm-3 fail cancelling
leading arm-4 fail gauge
leading arm-5 fail open-a

[ "$(sqlite3 "$TRUEWOUND_DB" 'PRAGMA integrity_check')" = ok ]
for coil in arm-1 arm-2 arm-3 arm-4 arm-5; do
    chromium --headless --no-sandbox --disable-gpu --no-pdf-header-footer \
        --print-to-pdf="$work/$coil.pdf" "$work/$coil.html" >/dev/null 2>&1
    pages=$(pdfinfo "$work/$coil.pdf" | awk '/^Pages/ { print $2 }')
    [ "$pages" = 1 ] || {
        echo "$coil.html prints on $pages pages" >&2
        exit 1
    }
    pdftotext "$work/$coil.pdf" - | grep -q 'Ω' || {
        echo "$coil.html has no ohm sign" >&2
        exit 1
    }
done
echo "railway: five coils, five right findings, sheets of one page"
