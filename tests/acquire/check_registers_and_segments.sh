#!/bin/sh
# The real daemon on the simulated MODBUS slaves and handheld meter: what it stores obeys Ohm's law,
# whichever instrument it came from; faults on the line end as events and disturb nobody else.
set -eu
build=$1
dir=$(mktemp -d)
bench_pid=
daemon_pid=
cleanup() {
    [ -z "$daemon_pid" ] || kill "$daemon_pid" 2>/dev/null || true
    [ -z "$bench_pid" ] || kill "$bench_pid" 2>/dev/null || true
    rm -rf "$dir"
}
trap cleanup EXIT INT TERM
fail() {
    echo "check_registers_and_segments: $1" >&2
    tail -n 20 "$dir/log" >&2 || true
    exit 1
}
hands() {
    "$build/fixtures/simulated-bench" --hands "$dir/ports" "$1" >/dev/null || fail "hands: $1"
}
ask() {
    sqlite3 -cmd '.timeout 2000' "$dir/bench.db" "$1"
}
# mean CHANNEL: of the readings of the last two seconds
mean() {
    ask "SELECT avg(value) FROM measured WHERE name = '$1'
         AND time > (SELECT max(time) FROM measured WHERE name = '$1') - 2000000"
}
# near WHAT VALUE EXPECTED PERCENT
near() {
    awk -v v="$2" -v e="$3" -v p="$4" 'BEGIN { d = v - e; if (d < 0) d = -d
        exit !(v != "" && d <= (e < 0 ? -e : e) * p / 100) }' ||
        fail "$1: $2, expected $3 within $4 %"
}
until_true() {
    n=0
    until [ "$(ask "$2" 2>/dev/null)" = 1 ]; do
        n=$((n + 1))
        [ $n -lt 100 ] || fail "$1"
        sleep 0.1
    done
}
tell() {
    printf '%s\n' "$1" | timeout 10 socat -t 5 - "UNIX-CONNECT:$dir/bench.db.socket" | grep -q '"ok": *true' ||
        fail "control socket: $1"
}

sed "s|/tmp/railway-bench|$dir/ports|; s|^flush = .*|flush = 0.1 s\\ndatabase = $dir/bench.db|" \
    fixtures/railway-bench.ini >"$dir/bench.ini"
"$build/acquire/truewoundd" --check --bench "$dir/bench.ini" >"$dir/out" || fail "$(cat "$dir/out")"
grep -q ': good: ' "$dir/out" || fail "a good bench file is $(cat "$dir/out")"
# A file without a database needs --database to start: it is not simply good.
sed '/^database/d' "$dir/bench.ini" >"$dir/nowhere.ini"
"$build/acquire/truewoundd" --check --bench "$dir/nowhere.ini" >"$dir/out" 2>&1 || fail "$(cat "$dir/out")"
grep -q 'database: none is given' "$dir/out" && grep -q ': usable: ' "$dir/out" ||
    fail "no word about a database: $(cat "$dir/out")"
# What is wrong with a file is said once.
"$build/acquire/truewoundd" --bench "$dir/none.ini" >"$dir/out" 2>&1 && fail "started without a file"
[ "$(grep -c 'No such file' "$dir/out")" = 1 ] || fail "said twice: $(cat "$dir/out")"
"$build/acquire/truewoundd" --check --bench "$dir/nowhere.ini" --database "$dir/x.db" >"$dir/out" 2>&1
grep -q ': good: ' "$dir/out" || fail "with --database it is $(cat "$dir/out")"
"$build/fixtures/simulated-bench" --scenario fixtures/railway.ini --ports "$dir/ports" --for 120 >"$dir/out" &
bench_pid=$!
n=0
until grep -q ready "$dir/out"; do
    n=$((n + 1))
    [ $n -lt 100 ] || fail "the simulated bench is not ready"
    sleep 0.1
done
"$build/acquire/truewoundd" --bench "$dir/bench.ini" 2>"$dir/log" &
daemon_pid=$!

# ohms by the handheld, leads taken off, then volts and amperes by the slaves
hands 'coil arm-1'
hands 'connect segments pair'
until_true "no resistance" "SELECT count(*) >= 4 FROM measured WHERE name = 'segments.resistance' AND value > 1"
sleep 1
ohms=$(mean segments.resistance)
hands 'supply 3 V'
hands 'dial segments volts'
tell '{"do":"send","instrument":"modbus","command":"on"}'
until_true "no current" "SELECT count(*) >= 3 FROM measured WHERE name = 'modbus.current' AND value > 0.1"
until_true "no volts" "SELECT count(*) >= 3 FROM measured WHERE name = 'segments.voltage' AND value > 1"
sleep 2
volts=$(mean modbus.coil)
amperes=$(mean modbus.current)
near "coil volts of handheld and slave" "$(mean segments.voltage)" "$volts" 1.5
near "Ohm's law, ohms" "$(awk "BEGIN { print $volts / $amperes }")" "$ohms" 3

# one slave's line is spoilt: events, and the handheld goes on
before=$(ask "SELECT count(*) FROM measured WHERE name = 'segments.voltage'")
hands 'corrupt modbus 2'
until_true "a wrong CRC is no event" "SELECT count(*) >= 1 FROM event WHERE kind = 'checksum'"
hands 'silence modbus on'
until_true "silence is no event" "SELECT count(*) >= 1 FROM event WHERE kind = 'slave' AND text LIKE '%does not answer%'"
hands 'silence modbus off'
until_true "no return" "SELECT count(*) >= 1 FROM event WHERE kind = 'slave' AND text LIKE '%answers again%'"
hands 'noise segments 40'
sleep 2
after=$(ask "SELECT count(*) FROM measured WHERE name = 'segments.voltage'")
[ "$after" -gt "$((before + 5))" ] || fail "the handheld was disturbed: $before, then $after readings"
[ "$(ask "SELECT count(*) FROM measured WHERE name = 'segments.voltage' AND value > 1 AND (value < $volts * 0.97 OR value > $volts * 1.03)")" = 0 ] ||
    fail "a spoilt frame was taken for a reading"
# overload is unknown, never a number
hands 'dial segments ohms'
hands 'connect segments nothing'
until_true "no overload" "SELECT count(*) >= 1 FROM measured WHERE name = 'segments.resistance' AND value IS NULL AND flags & 1"

kill "$daemon_pid"
wait "$daemon_pid" || fail "the daemon did not end well"
daemon_pid=
[ "$(sqlite3 "$dir/bench.db" 'PRAGMA integrity_check')" = ok ] || fail "integrity"
echo "registers and segments: $volts V, $amperes A, $ohms ohm"
