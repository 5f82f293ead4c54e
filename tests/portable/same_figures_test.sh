#!/bin/bash
# The same store gives the same figures to the last bit on another machine: each program makes a store of the same readings, and
# both are told by both. Usage: same_figures_test.sh TREE OURS ANOTHER...  (ANOTHER: a program, or an emulator, its words and one)
set -euo pipefail
tree=$1 ours=$2
shift 2
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
readings=$tree/tests/data/computer-run-1.csv
failed=0

"$ours" make "$work/ours.db" "$readings"
"$@" make "$work/another.db" "$readings"
cp "$tree"/tests/data/store-version-*.db "$work"
for store in "$work"/*.db; do
  cp "$store" "$work/copy"
  "$ours" tell "$store" >"$work/ours.txt"
  "$@" tell "$work/copy" >"$work/another.txt"
  rm -f "$work"/copy*
  if [ ! -s "$work/ours.txt" ] || ! cmp -s "$work/ours.txt" "$work/another.txt"; then
    echo "not the same figures of ${store##*/}:"
    diff <(tr ',' '\n' <"$work/ours.txt") <(tr ',' '\n' <"$work/another.txt") | head -40 || true
    failed=1
  fi
  case "$store" in */ours.db | */another.db) cp "$work/ours.txt" "$store.txt" ;; esac
done
cmp "$work/ours.db.txt" "$work/another.db.txt" || { echo "the stores that both made do not give the same figures"; failed=1; }
[ "$failed" = 0 ] && echo "the same figures: $(grep -c '"run"' "$work/ours.db.txt") lines, $(wc -c <"$work/ours.db.txt") bytes of them"
exit "$failed"
