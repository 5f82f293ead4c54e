# bash completion for nightwatt. Knows no command and no option by itself: it reads what `nightwatt COMMAND --help` says,
# so that it never falls behind, and takes runs, devices and meters from the store.

# The words before the cursor, told apart: the command, how many other words stand before the cursor, and the options that
# say which store.
_nightwatt_parse() {
  command= places=0 where=()
  local i word
  for ((i = 1; i < COMP_CWORD; i++)); do
    word=${COMP_WORDS[i]}
    case $word in
      --store | --config)
        # readline parts --store=PATH at the sign.
        [[ ${COMP_WORDS[i + 1]} == = ]] && ((i++))
        where+=("$word" "$(_nightwatt_plain "${COMP_WORDS[i + 1]}")")
        ((i++))
        ;;
      --*)
        [[ -n $command && -n $(_nightwatt_type "$command" "$word") ]] && ((i++))
        ;;
      -*) ;;
      *) if [[ -z $command ]]; then command=$word; else ((places++)); fi ;;
    esac
  done
}

# A word as the shell would pass it, near enough: quotes and backslashes out, ~/ to the home folder.
_nightwatt_plain() {
  local word=$1
  word=${word#[\"\']}
  word=${word%[\"\']}
  word=${word//\\/}
  [[ $word == "~/"* ]] && word=$HOME/${word#"~/"}
  printf '%s' "$word"
}

_nightwatt_help() { nightwatt ${1:+"$1"} --help 2>/dev/null; }

_nightwatt_commands() {
  _nightwatt_help | sed -n '/^Subcommands:/,/^$/s/^  \([a-z][a-z-]*\) .*/\1/p'
}

_nightwatt_options() {
  { _nightwatt_help "$1"; _nightwatt_help; } | sed -n 's/^  \(-[A-Za-z],\)\{0,1\}\(--[a-z-]*\).*/\2/p' | sort -u
}

# What an option takes (RUN, DEVICE, FILE ...); nothing where it takes nothing.
_nightwatt_type() {
  [[ $2 =~ ^-[-A-Za-z]+$ ]] || return # what was typed goes into a pattern
  { _nightwatt_help "$1"; _nightwatt_help; } |
    sed -n "s/^  \(-[A-Za-z],\)\{0,1\}$2 \([A-Z][A-Z=:]*\) .*/\2/p;s/^  \(-[A-Za-z],\)\{0,1\}$2 \([A-Z][A-Z=:]*\)$/\2/p" |
    sed -n 1p
}

# The name of a command's Nth word; the last name stands for all further ones where it may be repeated.
_nightwatt_place() {
  _nightwatt_help "$1" | sed -n '/^Positionals:/,/^$/s/^  \([A-Z][A-Z]*\) .*/\1/p' | sed -n "$(($2 + 1))p;\$p" | sed -n 1p
}

# One value of every line of `runs --json`, unescaped.
_nightwatt_values() {
  nightwatt "${where[@]}" runs --json 2>/dev/null |
    sed -n "s/.*\"$1\": *\"\(\([^\"\\\\]\|\\\\.\)*\)\".*/\1/p" | sed 's/\\\(["\\\/]\)/\1/g' | sort -u
}

_nightwatt_runs() {
  printf 'last\n'
  nightwatt "${where[@]}" runs --json 2>/dev/null | sed -n 's/.*"run": *\([0-9][0-9]*\).*/\1/p'
}

# Candidates for a value of a type, a line each.
_nightwatt_candidates() { # TYPE OPTION COMMAND
  case $1 in
    RUN) _nightwatt_runs ;;
    DEVICE | D | NAME) _nightwatt_values device ;;
    M) _nightwatt_values meter ;;
    KIND) printf '%s\n' off standby idle plateau ramp charging unsteady ;;
    F)
      [[ $2 == --format ]] &&
        _nightwatt_help "$3" | grep -e ' --format ' | grep -oE '\b(text|markdown|csv|json|html|svg|png)\b' | sort -u
      ;;
  esac
}

_nightwatt() {
  local command places where current previous kind line
  COMPREPLY=()
  current=$(_nightwatt_plain "${COMP_WORDS[COMP_CWORD]}")
  previous=${COMP_WORDS[COMP_CWORD - 1]}
  _nightwatt_parse
  if [[ $current == -* ]]; then
    mapfile -t COMPREPLY < <(compgen -W "$(_nightwatt_options "$command")" -- "$current")
    return
  fi
  kind=
  [[ $previous == --* || $previous == -? ]] && kind=$(_nightwatt_type "$command" "$previous")
  if [[ -z $kind && -z $command ]]; then
    mapfile -t COMPREPLY < <(compgen -W "$(_nightwatt_commands)" -- "$current")
    return
  fi
  [[ -n $kind ]] || kind=$(_nightwatt_place "$command" "$places")
  # Names have blanks in them: readline quotes what is called a file name.
  compopt -o filenames 2>/dev/null
  case $kind in
    FILE* | PATH | P) mapfile -t COMPREPLY < <(compgen -f -- "$current") ;;
    *)
      while IFS= read -r line; do
        [[ -n $line && $line == "$current"* ]] && COMPREPLY+=("$line")
      done < <(_nightwatt_candidates "$kind" "$previous" "$command")
      ;;
  esac
}

complete -F _nightwatt nightwatt
