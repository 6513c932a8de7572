# bash completion for truewound(1). Commands come from 'truewound help', names of coils and
# channels from the database, so that neither list can go out of date here.

_truewound_words() # COMMAND ...: the first column of a list, by its CSV form
{
    truewound "${database[@]}" --csv "$@" 2>/dev/null | tail -n +2 | cut -d, -f1 | tr -d '"\r'
}

_truewound()
{
    local current=${COMP_WORDS[COMP_CWORD]} previous=${COMP_WORDS[COMP_CWORD - 1]}
    local places="limb-a limb-b pair core room"
    local kinds="resistance insulation current sag inductance second-time polarity wire-mass
        diameter wire-diameter pull residual-pull drift temperature
        volt-drop lift"
    local command='' word i at=0
    local -a database=()

    COMPREPLY=()
    for ((i = 1; i < COMP_CWORD; ++i)); do
        word=${COMP_WORDS[i]}
        if [[ $word == --db ]]; then
            database=(--db "${COMP_WORDS[i + 1]}")
            ((++i))
        elif [[ -z $command && $word != -* ]]; then
            command=$word
            at=$i
        fi
    done
    case $previous in
    --db | --answers | --from | --plot | -o)
        compopt -o filenames 2>/dev/null || true
        mapfile -t COMPREPLY < <(compgen -f -- "$current")
        return
        ;;
    --channel | --voltage-channel | --temperature-channel | --scale)
        mapfile -t COMPREPLY < <(compgen -W "$(_truewound_words readings)" -- "$current")
        return
        ;;
    --keeper) mapfile -t COMPREPLY < <(compgen -W "on off" -- "$current") && return ;;
    --wires) mapfile -t COMPREPLY < <(compgen -W "2 4" -- "$current") && return ;;
    --sizes) mapfile -t COMPREPLY < <(compgen -W "swg awg metric" -- "$current") && return ;;
    esac
    if [[ -z $command || $command == help ]]; then
        if [[ $current == -* ]]; then
            word="--db --json --csv --plain --help --version"
        else
            word="help $(truewound help 2>/dev/null | sed -n 's/^  \([a-z][a-z]*\) .*/\1/p')"
        fi
        mapfile -t COMPREPLY < <(compgen -W "$word" -- "$current")
        return
    fi
    if [[ $current == -* ]]; then
        # the options that the command's own help names
        word="--json --csv --help
            $(truewound help "$command" 2>/dev/null | grep -o -e '--[a-z][a-z-]*' | sort -u)"
        mapfile -t COMPREPLY < <(compgen -W "$word" -- "$current")
        return
    fi
    word=
    case $command:$((COMP_CWORD - at)) in
    coil:1) word="add list show" ;;
    coil:2) [[ $previous != show ]] || word=$(_truewound_words coil list) ;;
    take:1 | capture:1 | observe:1 | measure:1 | lift:1 | verify:1 | sheet:1 | predict:1)
        word=$(_truewound_words coil list)
        ;;
    battery:1) word=$(_truewound_words battery) ;;
    compare:*) word=$(_truewound_words coil list) ;;
    take:2 | capture:2 | observe:2) word=$places ;;
    take:3 | observe:3) word=$kinds ;;
    readings:1) word=$(_truewound_words readings) ;;
    irons:1) word=$(_truewound_words irons) ;;
    esac
    mapfile -t COMPREPLY < <(compgen -W "$word" -- "$current")
    case $command:$((COMP_CWORD - at)) in
    plan:1 | predict:1 | sheet:1 | coil:2)
        if [[ $previous != show ]]; then
            compopt -o filenames 2>/dev/null || true
            mapfile -t -O "${#COMPREPLY[@]}" COMPREPLY < <(compgen -f -- "$current")
        fi
        ;;
    esac
}

complete -F _truewound truewound
