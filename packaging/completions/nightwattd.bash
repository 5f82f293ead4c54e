# bash completion for nightwattd: its options, and a file after --config.
_nightwattd() {
  COMPREPLY=()
  if [[ ${COMP_WORDS[COMP_CWORD - 1]} == --config ]]; then
    compopt -o filenames 2>/dev/null
    mapfile -t COMPREPLY < <(compgen -f -- "${COMP_WORDS[COMP_CWORD]}")
  else
    mapfile -t COMPREPLY < <(compgen -W "$(nightwattd --help 2>/dev/null | sed -n 's/^  \(--[a-z-]*\).*/\1/p')" \
      -- "${COMP_WORDS[COMP_CWORD]}")
  fi
}

complete -F _nightwattd nightwattd
