# shellcheck shell=sh disable=SC2034
# Sourced by checks of the command line, with BUILD_DIR as their first argument: an empty folder to
# work in, a database of its own, and what the checks have in common. A check ends with
#   [ "$failed" = 0 ]
set -eu
build=$1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
root=$(cd "$(dirname "$0")/../.." && pwd)
cd "$work"
export LC_ALL=C.UTF-8 TRUEWOUND_DB="$work/t.db"
failed=0

tw() {
    "$build/analyze/truewound" "$@"
}
complain() {
    echo "FAIL: $*"
    failed=1
}
# The file 'out' as expect() reads it; a check of paragraphs folds their lines.
printed() {
    cat out
}
# expect STATUS TEXT COMMAND...: the exit status, and TEXT somewhere in what is printed.
expect() {
    want=$1
    text=$2
    shift 2
    got=0
    tw "$@" >out 2>&1 || got=$?
    [ "$got" = "$want" ] || complain "truewound $*: exit status $got, expected $want: $(cat out)"
    printed | grep -qF -- "$text" || complain "truewound $*: does not say '$text': $(cat out)"
}
# fits WHAT: no line of the file 'out' is wider than 80 columns.
fits() {
    wide=$(grep -nE '^.{81}' out || true)
    [ -z "$wide" ] || complain "$1 is wider than 80 columns: $wide"
}
