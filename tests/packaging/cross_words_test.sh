#!/usr/bin/env bash
# What tools/dev tells cmake of another architecture goes through debian/rules, and so through a shell: every word comes
# out as it went in. A semicolon once ended the command there, and no package for another architecture could be built.
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
eval "$(sed -n '/^triplet() {/,/^}/p; /^qemu_name() {/,/^}/p; /^cross_cmake() {/,/^}/p' "$root/tools/dev")"
for arch in arm64 armhf s390x; do
  words=$(cross_cmake "$arch")
  through=$(sh -c "printf '%s\\n' $words")
  [ "$through" = "$(tr ' ' '\n' <<<"$words")" ] || { echo "$arch: went in: $words; came out: $through"; exit 1; }
  grep -q "$(triplet "$arch")" <<<"$through" || { echo "$arch: the words do not name its compiler"; exit 1; }
done
