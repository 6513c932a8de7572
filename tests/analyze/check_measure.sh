#!/bin/bash
# The guided sitting on the simulated bench: by answers from a pipe, by answers from a file, in a
# terminal of tmux (80 columns), stopped and gone on with, and with the terminal closed under it.
set -eu
build=$1
dir=$(mktemp -d)
export TRUEWOUND_DB="$dir/truewound.db" LC_ALL=C.UTF-8 NO_COLOR=1
unset TMUX
tw=$build/analyze/truewound
bench=$build/fixtures/simulated-bench
bench_process=
daemon=
mux() { tmux -S "$dir/tmux" -f /dev/null "$@"; }
cleanup() {
    mux kill-server 2>/dev/null || true
    [ -z "$daemon" ] || kill "$daemon" 2>/dev/null || true
    [ -z "$bench_process" ] || kill "$bench_process" 2>/dev/null || true
    wait 2>/dev/null || true
    rm -rf "$dir"
}
trap cleanup EXIT
trap 'exit 1' INT TERM
fail() {
    echo "check_measure: $1" >&2
    [ -z "${2:-}" ] || sed 's/^/    /' "$2" >&2
    exit 1
}
has() { grep -qF -- "$2" "$1" || fail "'$2' is not in $1" "$1"; }
hands() { "$bench" --hands "$dir/ports" "$1" >/dev/null || fail "hands: $1"; }
count() { "$tw" verify "$1" --json --unrecorded | sed -n 's/.*"measurements": *\([0-9]*\).*/\1/p'; }

"$bench" --scenario fixtures/railway.ini --ports "$dir/ports" >"$dir/bench.log" 2>&1 &
bench_process=$!
for _ in $(seq 100); do
    grep -q ready "$dir/bench.log" && break
    sleep 0.1
done
sed "s|/tmp/railway-bench|$dir/ports|; s|interval = 250 ms|interval = 120 ms|; s|^flush = .*|flush = 0.2 s\ndatabase = $TRUEWOUND_DB|" \
    fixtures/railway-bench.ini >"$dir/bench.ini"
"$build/acquire/truewoundd" --bench "$dir/bench.ini" 2>"$dir/truewoundd.log" &
daemon=$!
for _ in $(seq 100); do
    "$tw" readings 2>/dev/null | grep -q '^board.temperature .* °C' && break
    sleep 0.1
done

mount() { # NAME [COIL ON THE BENCH]
    sed "s/^name *=.*/name = $1/" fixtures/signal-arm.ini >"$dir/$1.ini"
    "$tw" coil add "$dir/$1.ini" >/dev/null
    hands "coil ${2:-$1}"
    hands off
    hands "dial meter ohms"
}

# reply QUESTION: does with the hands what the question asks and leaves in $answer what to type.
reply() {
    answer=
    case $1 in
    *"limb-a resistance ("*) hands off && hands "connect meter limb-a" ;;
    *"limb-b resistance ("*) hands off && hands "connect meter limb-b" ;;
    *"pair resistance ("*) hands off && hands "connect meter pair" ;;
    *"core insulation ("*) hands off && hands "connect meter winding-core" ;;
    *"leads resistance ("*) hands off && hands "connect meter together" ;;
    *polarity*)
        hands "connect meter nothing"
        hands "supply 3 V"
        case $1 in
        *limb-a*) answer=$("$bench" --hands "$dir/ports" "compass limb-a") ;;
        *) answer=$("$bench" --hands "$dir/ports" "compass limb-b") ;;
        esac
        hands off
        ;;
    *"pair inductance keeper-"*)
        hands "connect meter nothing"
        case $1 in
        *keeper-on*) hands "keeper on" ;;
        *) hands "keeper off" ;;
        esac
        hands "connect board pair"
        hands "supply 3 V"
        ;;
    *"the coil is switched to"*) ;;
    *"pair wire-mass ("*) answer=$("$bench" --hands "$dir/ports" "weigh wire") ;;
    *"room temperature ("*) ;;
    *"(Enter ends"*) ;;
    *"leads from the"*) answer=4 ;;
    *) answer=skip ;;
    esac
}

# ---- 1. a script that answers as it goes: a coil with limbs that cancel, two leads ----
mount arm-3
coproc talk { exec "$tw" measure arm-3 --wires 2 --answers - --stretch '700 ms' \
    --channel resistance=meter.two_wire --channel insulation=meter.insulation --channel rise=board.current 2>&1; }
talk_process=${talk_PID:?}
exec 3<&"${talk[0]}" 4>&"${talk[1]}"
: >"$dir/talk"
text=
while IFS= read -r -N 1 letter <&3; do
    printf '%s' "$letter" >>"$dir/talk"
    if [ "$letter" = $'\n' ]; then
        text=
        continue
    fi
    text=$text$letter
    case $text in
    *")> ")
        reply "$text"
        printf '%s\n' "${answer:-ready}" >&4
        text=
        ;;
    esac
done
exec 3<&- 4>&-
status=0
wait "$talk_process" || status=$?
[ "$status" = 1 ] || fail "a cancelling coil ended with $status" "$dir/talk"
for words in 'Clip the leads together' 'as designed would be' '± ' \
    'is taken off every reading' 'current rise' 'arm-3: fail' 'the limbs cancel' 'truewound sheet arm-3'; do
    has "$dir/talk" "$words"
done
if LC_ALL=C.UTF-8 grep -nE '^.{81}' "$dir/talk"; then
    fail "a line is wider than 80 columns"
fi
if grep -q $'\033' "$dir/talk"; then
    fail "an escape sequence outside a terminal"
fi

# ---- 2. a file of answers, all typed, stopped and gone on with; one figure put right ----
sed "s/^name *=.*/name = typed/" fixtures/signal-arm.ini >"$dir/typed.ini"
"$tw" coil add "$dir/typed.ini" >/dev/null
cat >"$dir/answers" <<'EOF'
# Invented figures.
wires: 4
room temperature: 20 degC
pair resistance: 16.6 ohm
pair resistance: 16.7 ohm
limb-a resistance: stop
limb-b resistance: again
limb-b resistance: stop
others: skip
EOF
"$tw" measure typed --answers "$dir/answers" >"$dir/first" 2>&1 && fail "a stopped sitting passed"
has "$dir/first" 'truewound measure typed    goes on where this stopped'
n=$(count typed)
[ "$n" -ge 1 ] || fail "nothing of a stopped sitting was kept" "$dir/first"
cat >"$dir/answers" <<'EOF'
others: skip
limb-a resistance: 8.3 ohm
limb-b resistance: 8.4 ohm
limb-a polarity: north
limb-b polarity: south
core insulation: > 20 Mohm
pair inductance keeper-off: 0.1 parsec
EOF
status=0
"$tw" measure typed --answers "$dir/answers" >"$dir/second" 2>&1 || status=$?
has "$dir/second" 'going on with sitting'
if grep -q 'room temperature (' "$dir/second"; then
    fail "a figure that was there was asked for again" "$dir/second"
fi
[ "$(count typed)" -gt "$n" ] || fail "the second part added nothing" "$dir/second"
"$tw" measure typed --new --wires 4 --answers /dev/null >"$dir/third" 2>&1 || true
has "$dir/third" 'a new sitting'
for wrong in '--answers /nonexistent typed' 'nobody' '--channel x typed' '--wires 3 typed' ''; do
    status=0
    # shellcheck disable=SC2086
    "$tw" measure $wrong >"$dir/wrong" 2>&1 </dev/null || status=$?
    [ "$status" = 2 ] || fail "measure $wrong ended with $status" "$dir/wrong"
done

# ---- the bench file tells which of two ohmmeters has four leads, and what a wrong one would be ----
mount wired arm-1
hands "connect meter limb-a"
"$tw" take wired limb-a resistance --wires 4 --stretch '700 ms' >"$dir/wired" 2>&1 ||
    fail "take --wires 4 did not find the meter" "$dir/wired"
has "$dir/wired" 'resistance of limb A'
for wrong in '--channel meter.resistance --wires 2' '--channel two_wire --wires 4'; do
    status=0
    # shellcheck disable=SC2086
    "$tw" take wired limb-a resistance $wrong >"$dir/wrong" 2>&1 || status=$?
    [ "$status" = 2 ] || fail "take $wrong ended with $status" "$dir/wrong"
    has "$dir/wrong" 'the bench file says'
done
hands "connect meter winding-core"
"$tw" take wired core insulation --stretch '700 ms' >"$dir/wired" 2>&1 ||
    fail "take did not find the channel that is called insulation" "$dir/wired"
hands off

# ---- 3. a person at a terminal of 80 columns; the terminal is closed in the middle ----
mount arm-1
screen() { mux capture-pane -p -t sitting; }
# wait_for WORDS: until they are on the last line that has any text
prompt() {
    for _ in $(seq 150); do
        last=$(screen | grep -v '^ *$' | tail -n 1) || true
        case $last in
        *")>" | *"exit="*) return 0 ;;
        esac
        sleep 0.1
    done
    screen >"$dir/screen"
    fail "no question came" "$dir/screen"
}
start() {
    mux new-session -d -s sitting -x 80 -y 24 \
        "$tw measure arm-1 --wires 4 --stretch '700 ms' --channel resistance=meter.resistance; \
         echo exit=\$?; sleep 60"
}
start
pane=$(mux display-message -p -t sitting '#{pane_pid}')
for _ in 1 2 3; do
    prompt
    reply "$last"
    mux send-keys -t sitting "${answer:-ready}" Enter
    sleep 0.3
done
prompt
reply "$last"
mux send-keys -t sitting Enter # it waits for the reading now
sleep 0.4
sitting=$(pgrep -P "$pane" -f 'measure arm-1' || echo "$pane")
mux kill-session -t sitting
for _ in $(seq 50); do
    kill -0 "$sitting" 2>/dev/null || break
    sleep 0.1
done
kill -0 "$sitting" 2>/dev/null && fail "the sitting outlived its terminal"
n=$(count arm-1)
[ "$n" -ge 2 ] || fail "of three figures $n are kept after the terminal closed"

# ---- 4. and gone on with to the verdict, one figure repeated ----
start
n=0
for _ in $(seq 40); do
    prompt
    case $last in
    *"exit="*) break ;;
    esac
    reply "$last"
    case $last in
    *" resistance ("* | *" polarity ("* | *" insulation ("*)
        n=$((n + 1)) # of the second such figure: the one before it once more
        [ $n != 2 ] || answer=again
        ;;
    *"(Enter ends"*) [ $n -ge 3 ] || answer="more" ;;
    esac
    mux send-keys -t sitting "${answer:-ready}" Enter
    sleep 0.3
done
mux capture-pane -p -S - -t sitting >"$dir/screen"
has "$dir/screen" 'exit=0'
has "$dir/screen" 'arm-1: pass'
has "$dir/screen" 'going on with sitting'
has "$dir/screen" ': as designed.'
[ -n "$(sed -n 's/^[0-9]*\. //p' "$dir/screen" | sed 's/  - .*//' | sort | uniq -d)" ] ||
    fail "'again' asked for no figure a second time" "$dir/screen"
if grep -q '^[0-9]*\. temperature of the room' "$dir/screen"; then
    fail "the room was asked for again" "$dir/screen"
fi

# ---- 5. the leads stay on limb A when limb B is asked for: a question, and no refusal ----
mount left arm-1
hands "connect meter limb-a"
cat >"$dir/answers" <<'EOF'
limb-a resistance: ready
limb-b resistance: ready
others: skip
EOF
"$tw" measure left --wires 4 --stretch '700 ms' --channel resistance=meter.resistance \
    --answers "$dir/answers" >"$dir/left" 2>&1 || true
has "$dir/left" 'are the clips on limb'
[ "$(count left)" -ge 2 ] || fail "a reading like another was refused" "$dir/left"

kill -TERM "$daemon"
wait "$daemon" || true
daemon=
echo "measure: good"
