#!/usr/bin/env bash
# Drives the completion function as bash does, on a store of its own. Usage: completion_test.sh ROOT BIN_FOLDER
set -u
root=$1
export PATH=$2:$PATH
work=$(mktemp -d "${TMPDIR:-/tmp}/nightwatt-completion.XXXXXX")
trap 'rm -rf "$work"' EXIT
cd "$work" || exit 1
export NIGHTWATT_CONFIG=$work/nightwatt.toml
printf '[store]\npath = "night.db"\n' >nightwatt.toml
printf 'time,power_w\n1,5\n2,5\n3,5.1\n' >night.csv
for device in 'Gannet board' 'Puffin "mini"'; do
  nightwatt import night.csv --device "$device" >/dev/null || exit 1
done
nightwatt --store other.db import night.csv --device 'Skua tower' >/dev/null || exit 1

source "$root/packaging/completions/nightwatt.bash"
source "$root/packaging/completions/nightwattd.bash"

failed=0
# offers WORDS... -- EXPECTED...: what is offered for the last word is this, in any order.
offers() {
  local function=_$1 words=() expected got
  while [ "$1" != -- ]; do words+=("$1"); shift; done
  shift
  expected=$(printf '%s\n' "$@" | sort)
  COMP_WORDS=("${words[@]}")
  COMP_CWORD=$((${#words[@]} - 1))
  COMPREPLY=()
  "$function"
  got=$(printf '%s\n' "${COMPREPLY[@]}" | sort)
  [ "$got" = "$expected" ] && return
  printf 'after: %s\nexpected:\n%s\ngot:\n%s\n\n' "${words[*]}" "$expected" "$got"
  failed=1
}

offers nightwatt summ -- summary
offers nightwatt --json summ -- summary
offers nightwatt summary --bud -- --budget
offers nightwatt export 1 --form -- --format
offers nightwatt summary --sto -- --store
offers nightwatt summary '' -- last 1 2
offers nightwatt --store other.db summary '' -- last 1
offers nightwatt --store = other.db summary '' -- last 1
offers nightwatt compare 1 '' -- last 1 2
offers nightwatt compare --less '' -- last 1 2
offers nightwatt runs --device '' -- 'Gannet board' 'Puffin "mini"'
offers nightwatt runs --device 'Gannet\ b' -- 'Gannet board'
offers nightwatt runs --device '"Gannet b' -- 'Gannet board'
offers nightwatt name last '' -- 'Gannet board' 'Puffin "mini"'
offers nightwatt --store other.db name last '' -- 'Skua tower'
offers nightwatt mark note --kind p -- plateau
offers nightwatt mark note --kind c -- charging
offers nightwatt compare --format '' -- csv json markdown text
offers nightwatt import ni -- night.csv nightwatt.toml night.db night.db-lock night.db-shm night.db-wal
offers nightwatt frobnicate x -- ''
offers nightwatt summary '--x/;p' x -- ''
offers nightwattd --ch -- --check
offers nightwattd --config night.c -- night.csv
# Every command of the program is offered, counted in another way.
offers nightwatt '' -- $(nightwatt --help | awk '/^Subcommands:/ { on = 1; next } /^$/ { on = 0 } on && /^  [a-z]/ { print $1 }')
exit "$failed"
