#!/bin/bash
# The source package, built in a bare Debian in a folder: with the build dependencies that it names and nothing else, no network
# and no npm, by a user who is not root. Usage, as root: source_test.sh PACKAGE.dsc [FOLDER]
#
# With FOLDER the Debian and what was built stay there, and a build that was stopped goes on where it was. An hour on two
# cores. CCACHE_DIR, where it is set, names a compiler's cache within that Debian.
set -euo pipefail

dsc=$(readlink -f "$1")
[ "$(id -u)" = 0 ] || { echo "SKIPPED: only root can make a Debian in a folder"; exit 77; }
command -v debootstrap >/dev/null || { echo "SKIPPED: no debootstrap here"; exit 77; }
work=${2:-$(mktemp -d /var/tmp/nightwatt-source-XXXXXX)}
mkdir -p "$work"
top=$work/root
place=$(dirname "$dsc")/package # where tools/dev builds it too: names of places in what is built are the same

clean_up() {
  local mounted
  for mounted in dev proc; do umount "$top/$mounted" || umount -l "$top/$mounted" || true; done
  [ $# -gt 0 ] || mountpoint -q "$top/proc" || mountpoint -q "$top/dev" || rm -rf --one-file-system "$work"
} 2>/dev/null
# shellcheck disable=SC2064  # whether a folder was named is known now
trap "clean_up ${2:+kept}" EXIT

inside() {
  chroot "$top" /usr/bin/env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin LANG=C.UTF-8 HOME=/nonexistent DEBIAN_FRONTEND=noninteractive \
    ${CCACHE_DIR:+CCACHE_DIR="$CCACHE_DIR"} "$@"
}
as_builder() { inside unshare --net su builder -s /bin/sh -c "cd '$place' && $1"; }

if [ ! -d "$top/var/lib/dpkg" ]; then
  echo "a Debian in $top"
  debootstrap --variant=minbase --include=dpkg-dev,build-essential bookworm "$top" >"$work/debootstrap.log" 2>&1 ||
    { tail -5 "$work/debootstrap.log"; echo "SKIPPED: debootstrap could not fetch a Debian"; exit 77; }
fi
mountpoint -q "$top/proc" || mount -t proc proc "$top/proc"
mountpoint -q "$top/dev" || mount --bind /dev "$top/dev"
inside id builder >/dev/null 2>&1 || inside useradd builder
if [ ! -d "$top$place/nightwatt" ] || ! cmp -s "$dsc" "$top/tmp/${dsc##*/}"; then
  cp "$dsc" "${dsc%.dsc}".tar.* "$top/tmp/"
  inside dpkg-checkbuilddeps "/tmp/${dsc##*/}" 2>/dev/null ||
    inside apt-get -qq -y --no-install-recommends build-dep "/tmp/${dsc##*/}" >"$work/apt.log" 2>&1 ||
    { tail -5 "$work/apt.log"; echo "BAD: the build dependencies cannot be installed"; exit 1; }
  rm -rf "${top:?}$place"
  mkdir -p "$top$place"
  inside chown builder "$place"
  as_builder "dpkg-source -x '/tmp/${dsc##*/}' nightwatt"
fi
! inside sh -c 'command -v npm node' || { echo "BAD: this Debian has npm, so that nothing would be shown"; exit 1; }
echo "building"
as_builder "cd nightwatt && dpkg-checkbuilddeps && DEB_BUILD_OPTIONS='parallel=$(nproc) noautodbgsym' dpkg-buildpackage -us -uc -b -nc" \
  >"$work/build.log" 2>&1 || { tail -20 "$work/build.log"; echo "BAD: dpkg-buildpackage failed; all of it: $work/build.log"; exit 1; }
as_builder "dpkg-deb -x nightwatt_*.deb unpacked && for program in unpacked/usr/bin/*; do \$program --version; done" ||
  { echo "BAD: what was built does not run"; exit 1; }
ls -l "$top$place"/nightwatt_*.deb
echo "good: the source package builds with Debian's tools alone"
