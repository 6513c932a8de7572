#!/bin/sh
# Half a year of a battery on its site, lived fast: the simulated bench sends a line an hour through
# a port to the real daemon, and the analyzer is asked as a person or a timer would ask. Everything
# measured is invented.
set -eu
build="$1"
bench="$build/fixtures/simulated-bench"
daemon="$build/acquire/truewoundd"
tw="$build/analyze/truewound"
factor=600000 # a week takes a second
dir=$(mktemp -d)
pids=
cleanup() {
    # shellcheck disable=SC2086
    [ -z "$pids" ] || kill $pids 2>/dev/null || true
    wait
    rm -rf "$dir"
}
trap cleanup EXIT INT TERM
fail() {
    echo "check_battery: $1" >&2
    [ ! -f "$dir/last" ] || cat "$dir/last" >&2
    exit 1
}
# A pause of the machine of a third of a second is two days here: three weeks count as silence.
# Runs the analyzer, keeps what it says, and compares its exit status.
ask() {
    expected=$1
    shift
    status=0
    "$tw" --db "$dir/db" "$@" >"$dir/last" 2>&1 || status=$?
    [ "$status" = "$expected" ] || fail "'$*' gave $status, expected $expected"
}
says() {
    grep -q -- "$1" "$dir/last" || fail "expected '$1' in:"
}
silent_about() {
    ! grep -q -- "$1" "$dir/last" || fail "did not expect '$1' in:"
}
# One value straight out of the database, whose times are in the future here.
sql() {
    python3 -c 'import sqlite3, sys
print(sqlite3.connect(sys.argv[1]).execute(sys.argv[2]).fetchone()[0])' "$dir/db" "$1"
}
# A number of the JSON just printed, by its path.
number() {
    python3 -c 'import json, sys
v = json.load(open(sys.argv[1]))
for k in sys.argv[2].split("."): v = v[k]
print(v)' "$dir/last" "$1"
}
between() {
    python3 -c 'import sys; x, a, b = map(float, sys.argv[1:]); sys.exit(not a <= x <= b)' \
        "$(number "$1")" "$2" "$3" || fail "$1 is $(number "$1"), expected $2 to $3"
}
weeks() {
    sleep "$(python3 -c "print($1 * 604800 / $factor)")"
}
# The date so many weeks after the first reading.
week() {
    date -u -d "@$(python3 -c "print(int($first + $1 * 604800))")" '+%Y-%m-%d %H:%M'
}

base=$(date +%s) # when both clocks agreed
# Size C, so that one battery ends within the half year.
sed 's/^cell = LR20/cell = LR14/' fixtures/battery-site.ini >"$dir/site.ini"
sed "s|/tmp/battery-site|$dir/ports|" fixtures/battery-site-bench.ini >"$dir/bench.ini"
"$bench" --scenario "$dir/site.ini" --ports "$dir/ports" --clock $factor >"$dir/out" &
pids=$!
n=0
until grep -q ready "$dir/out" 2>/dev/null; do
    n=$((n + 1))
    [ $n -lt 100 ] || fail "the bench is not ready after 10 s"
    sleep 0.1
done
CLOCKSHIM_FACTOR=$factor CLOCKSHIM_BASE=$base LD_PRELOAD=$build/fixtures/libclockshim.so \
    "$daemon" -b "$dir/bench.ini" -d "$dir/db" >"$dir/log" 2>&1 &
pids="$pids $!"
listener=$!
now() { python3 -c "import time; print((time.time() - $base) * $factor / 604800)"; }
weeks 13.5
"$bench" --hands "$dir/ports" 'battery new LR14 2' >/dev/null
changed=$(date -u -d "@$(python3 -c "print(int($base + $(now) * 604800))")" +%s)
weeks 6
"$bench" --hands "$dir/ports" 'joint 0.8 ohm' >/dev/null
weeks 6.5
kill "$listener"
wait "$listener" || fail "the daemon did not end well: $(tail -3 "$dir/log")"
[ "$(python3 -c "print($(now) > 25)")" = True ] || fail "less than 25 weeks passed"
first=$(sql 'SELECT min(time) / 1000000 FROM reading')

# The site and its battery. Nothing is judged before it is recorded.
ask 2 battery arm-1
says 'there is no site'
ask 2 battery arm-1 --unloaded site.nothing
ask 2 battery arm-1 --loaded site.pulses
says 'not a channel of voltage'
ask 0 battery arm-1 --unloaded site.unloaded --loaded site.loaded --temperature site.temperature \
    --pulses site.pulses --coil-ohm '15.8 ohm' --inductance '0.3 H' --pulse '0.3 s' --every '14 s'
ask 3 battery arm-1 --silent '21 d' --alarm '14 d'
says 'no battery is recorded'
ask 2 battery arm-1 --fit CR2032 --cells 1
says 'lithium'
ask 2 battery arm-1 --fit LR14
says '--cells'
ask 0 battery arm-1 --fit C --cells 2 --on "$(week -0.05)" --price 3.20
says 'do not mix old and new'

# A day: too early to tell. Seven weeks: trend and forecast.
ask 3 battery arm-1 --at "$(week 0.2)" --silent '21 d' --alarm '14 d'
says 'too early to tell'
ask 0 battery arm-1 --at "$(week 7)" --silent '21 d' --alarm '7 d'
says 'mV a day'
says 'the cells run down, as they should'
silent_about 'changed'
ask 0 battery arm-1 --at "$(week 7)" --json
between slope_v_per_day.median -0.012 -0.002
between forecast.days.q50 20 95
between resistance_ohm 0.15 1.2
between forecast.drawn_ah 3 5
# Close to the end: alarm, as exit status and, once, as an event.
ask 1 battery arm-1 --at "$(week 13.4)" --silent '21 d' --alarm '14 d'
says 'may not last\|change the battery now'
ask 1 battery arm-1 --at "$(week 13.4)" --note --silent '21 d' --alarm '14 d'
ask 1 battery arm-1 --at "$(week 13.4)" --note --silent '21 d' --alarm '14 d'
[ "$(sql "SELECT count(*) FROM event WHERE kind = 'battery'")" = 1 ] || fail "expected one event of the alarm"

# The change of battery is found by itself, and stays unconfirmed until a person says so.
ask 0 battery arm-1 --at "$(week 18)"
says 'found from the voltage, not recorded'
ask 0 battery arm-1 --at "$(week 18)" --json
found=$(python3 -c "import json; print(json.load(open('$dir/last'))['changes_found'][0]['on'])")
off=$(( ($(date -u -d "$found" +%s) - changed) / 86400 ))
# A day is 0.14 s here, and the hands and the daemon need some of those.
[ "$off" -ge -5 ] && [ "$off" -le 5 ] || fail "change found on $found, $off days off"
between forecast.days.q50 30 140
ask 0 battery arm-1 --at "$(week 18)" --note --silent '21 d'
ask 0 battery
says 'not confirmed'
ask 0 battery arm-1 --at "$(week 18)" --confirm
says 'confirmed'
ask 2 battery arm-1 --at "$(week 18)" --confirm
ask 0 battery arm-1 --history
silent_about 'not confirmed'

# At the end: the joint has gone bad, the cell has not; fleet and timer hear of it.
ask 1 battery arm-1 --silent '21 d' --alarm '7 d'
says 'joint'
ask 0 battery arm-1 --silent '21 d' --json --plot "$dir/plot.svg"
[ "$(number state)" = joint ] || fail "state $(number state)"
between joint_excess_ohm 0.4 1.4
grep -q 'forecast' "$dir/plot.svg" || fail "no forecast in the plot"
ask 1 fleet --silent '21 d'
says 'contact cleaner'
# Long after, nothing was heard.
ask 1 battery arm-1 --at "$(week 40)" --silent '21 d' --alarm '7 d'
says 'nothing was heard'
ask 0 battery --life-table --cell LR20 --cells 2 --coil-ohm '17 ohm' --inductance '0.1 H'
says '^300 '
echo "battery: half a year, a change, an alarm and a bad joint: good"
