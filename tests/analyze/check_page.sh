#!/bin/sh
# The bench page in a real browser: simulated bench, real daemon, real page. Two phones' widths, a
# desk's, light and dark, keyboard only, without script, and everything a stranger might send.
#
#   tests/analyze/check_page.sh BUILD_DIR [PICTURES]    PICTURES: a folder to keep screenshots in
set -eu
cd "$(dirname "$0")/../.."
build=$1
dir=$(mktemp -d)
bench= daemon= page=
cleanup() {
    for pid in $page $daemon $bench; do
        kill "$pid" 2>/dev/null || true
    done
    wait 2>/dev/null || true
    rm -rf "$dir"
}
trap cleanup EXIT
trap 'exit 1' INT TERM
fail() {
    echo "check_page: $1" >&2
    exit 1
}
export LC_ALL=C.UTF-8 TRUEWOUND_DB="$dir/t.db"
tw="$build/analyze/truewound"
hands() {
    "$build/fixtures/simulated-bench" --hands "$dir/ports" "$1" >/dev/null
}

"$build/fixtures/simulated-bench" --scenario fixtures/railway.ini --ports "$dir/ports" \
    >"$dir/bench.log" 2>&1 &
bench=$!
for _ in $(seq 100); do
    grep -q ready "$dir/bench.log" 2>/dev/null && break
    sleep 0.1
done
sed "s|/tmp/railway-bench|$dir/ports|; s|^flush = .*|&\ndatabase = $TRUEWOUND_DB|" \
    fixtures/railway-bench.ini >"$dir/bench.ini"
"$build/acquire/truewoundd" --bench "$dir/bench.ini" 2>"$dir/truewoundd.log" &
daemon=$!
for _ in $(seq 100); do
    [ -S "$TRUEWOUND_DB.socket" ] && break
    sleep 0.1
done

# A note is a stranger's text.
for coil in arm-2 arm-1 arm-3; do
    sed "s|^name *=.*|name = $coil|; s|^note *=.*|note = <script>document.title='broken'</script>|" \
        fixtures/signal-arm.ini >"$dir/coil.ini"
    "$tw" coil add "$dir/coil.ini" >/dev/null || fail "coil add"
done
"$tw" battery home-signal --unloaded board.battery --fit LR20 --cells 2 >/dev/null || fail "battery"
hands 'coil arm-2'
hands 'dial meter ohms'
hands 'connect meter limb-a'
"$tw" take arm-2 limb-a resistance --channel meter.resistance --wires 4 >/dev/null
hands 'connect meter limb-b'

"$tw" page --port 0 >"$dir/page.log" 2>&1 &
page=$!
for _ in $(seq 100); do
    grep -q '^Ctrl-C' "$dir/page.log" 2>/dev/null && break
    sleep 0.1
done
python3 tests/analyze/page_checks.py "$build" "$dir" "${2-}" || {
    cat "$dir/page.log" >&2
    exit 1
}
kill -TERM "$page"
wait "$page" || fail "did not end well: $(cat "$dir/page.log")"
page=

# On an address that others can reach it warns; a port in use, or nonsense, is said in a sentence.
"$tw" page --listen 0.0.0.0 --port 0 >"$dir/wide.log" 2>&1 &
page=$!
for _ in $(seq 50); do
    grep -q 'caution' "$dir/wide.log" 2>/dev/null && break
    sleep 0.1
done
grep -q 'caution: others can reach' "$dir/wide.log" || fail "no warning: $(cat "$dir/wide.log")"
port=$(sed -n 's|^bench page: http://0.0.0.0:\([0-9]*\)/|\1|p' "$dir/wide.log")
[ -n "$port" ] || fail "no address: $(cat "$dir/wide.log")"
if "$tw" page --port "$port" >"$dir/out" 2>&1; then
    fail "two on one port"
fi
grep -q 'chooses another' "$dir/out" || fail "port in use: $(cat "$dir/out")"
kill -TERM "$page"
wait "$page" || fail "did not end well when wide"
page=
for bad in '--port 70000' '--port x' '--listen nowhere.example' '--listen 203.0.113.7' 'extra'; do
    # shellcheck disable=SC2086
    if "$tw" page $bad >"$dir/out" 2>&1; then
        fail "took: $bad"
    fi
done
echo "page: good"
