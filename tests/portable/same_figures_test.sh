#!/bin/bash
# The same store gives the same figures on another machine: each program makes a store of the same readings, and both are told by
# both. Texts, counts and times must be the same, other numbers to eleven digits (docs/measuring.md, "On another processor"); of
# one program with itself to the last bit. Usage: same_figures_test.sh TREE OURS ANOTHER...  (ANOTHER: a program, or an emulator, its words and one)
set -euo pipefail
tree=$1 ours=$2
shift 2
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
readings=$tree/tests/data/computer-run-1.csv
failed=0
limit=1e-11
[ "$*" != "$ours" ] || limit=0

same() { # ONE OTHER: says the largest difference as a share
  python3 - "$1" "$2" "$limit" <<'PYTHON'
import re
import sys

number = re.compile(r"-?\d+(?:\.\d+)?(?:e[+-]?\d+)?")
one, other = (open(path).read() for path in sys.argv[1:3])
whole = lambda text: number.sub(lambda m: m[0] if m[0].lstrip("-").isdigit() and m[0].lstrip("-") != "0" else "#", text)
pairs = [(float(a), float(b)) for a, b in zip(number.findall(one), number.findall(other))]
most = max((abs(a - b) / max(abs(a), 1e-9) for a, b in pairs), default=0.0)
print(f"{len(pairs)} numbers, the largest difference {most:.1e} of one")
sys.exit(not one or whole(one) != whole(other) or most > float(sys.argv[3]))
PYTHON
}

"$ours" make "$work/ours.db" "$readings"
"$@" make "$work/another.db" "$readings"
cp "$tree"/tests/data/store-version-*.db "$work"
for store in "$work"/*.db; do
  cp "$store" "$work/copy"
  "$ours" tell "$store" >"$work/ours.txt"
  "$@" tell "$work/copy" >"$work/another.txt"
  rm -f "$work"/copy*
  if ! same "$work/ours.txt" "$work/another.txt"; then
    echo "not the same figures of ${store##*/}:"
    diff <(tr ',' '\n' <"$work/ours.txt") <(tr ',' '\n' <"$work/another.txt") | head -40 || true
    failed=1
  fi
  case "$store" in */ours.db | */another.db) cp "$work/ours.txt" "$store.txt" ;; esac
done
same "$work/ours.db.txt" "$work/another.db.txt" || { echo "the stores that both made do not give the same figures"; failed=1; }
exit "$failed"
