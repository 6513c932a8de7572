#!/bin/bash
# The manual and the help say what the program does: every command of 'truewound help' has a section
# in truewound.1 and a --help, each with an example; mandoc finds nothing wrong; the completion
# knows commands, coils and options; mistakes are answered with what to do next.
set -eu
build=$1
tw=$build/analyze/truewound
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
export TRUEWOUND_DB="$dir/truewound.db" LC_ALL=C.UTF-8
fail() {
    echo "check_manual: $1" >&2
    exit 1
}

commands=$("$tw" help | sed -n 's/^  \([a-z][a-z]*\) .*/\1/p')
[ "$(echo "$commands" | wc -w)" -ge 13 ] || fail "help lists too few commands: $commands"

# ---- manual and help ----
for command in $commands; do
    section=$(sed -n "/^\.Ss $command\$/,/^\.S[sh] /{/^\.Ss $command\$/p;/^\.S[sh] /!p}" \
        analyze/truewound.1)
    [ -n "$section" ] || fail "truewound.1 has no section '.Ss $command'"
    echo "$section" | grep -q "^truewound $command" ||
        fail "section '$command' of truewound.1 has no example"
    echo "$section" | grep -q "^\.Cm $command" || fail "section '$command' has no synopsis"
    for way in "$command --help" "help $command"; do
        # shellcheck disable=SC2086
        "$tw" $way >"$dir/help" || fail "truewound $way ended with $?"
        grep -q "^usage: truewound $command" "$dir/help" || fail "truewound $way: no usage"
        grep -q "^example: truewound $command" "$dir/help" || fail "truewound $way: no example"
        wide=$(grep -nE '^.{81}' "$dir/help" || true)
        [ -z "$wide" ] || fail "truewound $way is too wide: $wide"
    done
    # every option that the help names is one that the command takes
    for option in $(grep -oe '--[a-z][a-z-]*' "$dir/help" | sort -u); do
        case $option in --json | --csv | --db | --help) continue ;; esac
        grep -qF -- "\"${option#--}\"" "analyze/commands/$command.c" ||
            grep -qF -- "$option" "analyze/commands/$command.c" ||
            fail "help of $command names $option"
    done
done
for section in $(sed -n 's/^\.Ss //p' analyze/truewound.1); do
    echo "$commands" | grep -qx "$section" || fail "truewound.1 describes '$section', which is no command"
done
for page in analyze/truewound.1 analyze/truewound-coil.5 acquire/truewoundd.8 \
    acquire/truewound-bench.5; do
    [ -f "$page" ] || continue
    if command -v mandoc >/dev/null; then
        found=$(mandoc -T lint -W warning "$page" || true)
        [ -z "$found" ] || fail "mandoc: $found"
        mandoc -T utf8 "$page" >"$dir/page" || fail "$page cannot be shown"
    fi
done
for word in TRUEWOUND_DB NO_COLOR 'EXIT STATUS' ENVIRONMENT FILES CAVEATS; do
    grep -q "$word" analyze/truewound.1 || fail "truewound.1 does not mention $word"
done

# ---- completion ----
sed 's/^name *=.*/name = arm-7/' fixtures/signal-arm.ini >"$dir/arm-7.ini"
"$tw" coil add "$dir/arm-7.ini" >/dev/null
PATH=$(dirname "$tw"):$PATH
# shellcheck source=/dev/null
. analyze/truewound.bash
complete -p truewound | grep -q _truewound || fail "completion is not registered"
completes() { # EXPECTED WORD ...: the last word is what is being typed
    local expected=$1
    shift
    COMP_WORDS=("$@")
    COMP_CWORD=$(($# - 1))
    COMPREPLY=()
    _truewound
    printf '%s\n' "${COMPREPLY[@]}" | grep -qxF -- "$expected" ||
        fail "'$*' completes to '${COMPREPLY[*]}', not to '$expected'"
}
completes measure truewound me
completes help truewound ''
completes --json truewound --j
completes verify truewound help ver
completes arm-7 truewound verify ''
completes arm-7 truewound coil show arm
completes arm-7 truewound --db "$TRUEWOUND_DB" take a
completes limb-a truewound take arm-7 l
completes wire-mass truewound observe arm-7 pair wire
completes --answers truewound measure arm-7 --a
completes 4 truewound take arm-7 limb-a resistance --wires ''
completes off truewound observe arm-7 pair inductance --keeper o
completes cast-iron truewound irons c
completes "$dir/arm-7.ini" truewound plan "$dir/arm"
completes add truewound coil ''
completes --blank truewound sheet arm-7 --b
completes "$dir/arm-7.ini" truewound sheet "$dir/arm"

# ---- twenty mistakes ----
mistake() { # WORDS WORD ...: exit status 2, and one line that has WORDS in it
    local words=$1 status=0
    shift
    "$tw" "$@" >"$dir/out" 2>"$dir/err" </dev/null || status=$?
    [ $status = 2 ] || fail "'truewound $*' ended with $status"
    grep -qF -- "$words" "$dir/err" || fail "'truewound $*' says: $(cat "$dir/err")"
    [ -s "$dir/out" ] && fail "'truewound $*' wrote to standard output"
    [ "$(wc -l <"$dir/err")" -le 20 ] || fail "'truewound $*' goes on and on"
}
mistake "was 'verify' meant" verfy arm-7
mistake "'truewound help' lists them" zzzzzzz
mistake "'truewound help' lists them" --frob
mistake "was 'plan' meant" help plam
mistake "'truewound coil list'" verify
mistake "'truewound coil list'" verify nobody
mistake "has no run 77" verify arm-7 --run 77
mistake "'truewound coil add' begins one" --db "$dir/none.db" verify arm-7
mistake "'truewound coil add' begins one" --db "$dir/none.db" measure arm-7
[ ! -e "$dir/none.db" ] || fail "a mistyped database was made"
mistake 'not an SQLite database' --db "$dir/arm-7.ini" verify arm-7
mistake 'No such file' coil add nofile.ini
mistake "'truewound coil list'" take nobody limb-a resistance
mistake 'limb-a limb-b pair' take arm-7 limb-c resistance
mistake "types one in" take arm-7 limb-a weight
mistake "'truewound readings' shows them" readings nothing.here
mistake 'such as 17 ohm' observe arm-7 limb-a resistance 8.7
mistake 'quote a value with its unit' observe arm-7 limb-a resistance 8.7 ohm
mistake 'says nothing without --voltage' observe arm-7 pair current '100 mA'
mistake 'expected north, south or none' observe arm-7 limb-a polarity up
mistake "write '30 SWG'" wire 30
mistake 'go together' wire --resistance '2 ohm'
mistake "needs --covering" wire --over '0.3 mm'
mistake 'known are' irons gold
mistake "'truewound coil list'" measure nobody
mistake 'KIND=CHANNEL' measure arm-7 --channel x
echo "manual: good"
