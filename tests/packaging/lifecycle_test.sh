#!/bin/bash
# The package's life in a fresh Debian in a folder, with a night running: install, upgrade, an upgrade that cannot be, downgrade,
# remove, reinstall, purge. Usage, as root: lifecycle_test.sh PACKAGE.deb
#
# debootstrap fetches the Debian. No service manager runs in there: a stand-in for systemctl obeys the same calls of the
# package's scripts, with the unit's own command and user.
set -euo pipefail

package=$(readlink -f "$1")
[ "$(id -u)" = 0 ] || { echo "SKIPPED: only root can make a Debian in a folder"; exit 77; }
command -v debootstrap >/dev/null || { echo "SKIPPED: no debootstrap here"; exit 77; }
work=$(mktemp -d /var/tmp/nightwatt-lifecycle-XXXXXX)
top=$work/root
failed=0

clean_up() {
  inside systemctl stop nightwattd.service || true
  if [ -f "$work/sim" ]; then kill "$(cat "$work/sim")" || true; fi
  local mounted
  # A program that is just ending may still hold a terminal: taken out of sight at once, let go with its end.
  for mounted in dev/pts dev proc; do umount "$top/$mounted" || umount -l "$top/$mounted" || true; done
  mountpoint -q "$top/proc" || mountpoint -q "$top/dev" || rm -rf --one-file-system "$work"
} 2>/dev/null
trap clean_up EXIT

inside() { chroot "$top" /usr/bin/env -i PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin DEBIAN_FRONTEND=noninteractive LC_ALL=C.UTF-8 "$@"; }

check() { # WHAT COMMAND...
  local what=$1
  shift
  if "$@"; then
    echo "good: $what"
  else
    echo "BAD: $what; dpkg said last:"
    sed "s/^/    /" "$work/dpkg.log" 2>/dev/null || true
    failed=1
  fi
}
no() { ! "$@"; }

version_of() { dpkg-deb -f "$1" Version; }
another_version() { # VERSION: the same package, told to be another
  local old
  old=$(version_of "$package")
  rm -rf "$work/other"
  dpkg-deb -R "$package" "$work/other"
  sed -i "s/^Version: .*/Version: $1/" "$work/other/DEBIAN/control"
  sed -i "s/\"$old\"/\"$1\"/g; s/ $old / $1 /g" "$work/other/DEBIAN/preinst" "$work/other/DEBIAN/prerm"
  dpkg-deb -b --root-owner-group "$work/other" "$top/tmp/nightwatt_$1.deb" >/dev/null
}

dpkg_does() { inside dpkg "$@" </dev/null >"$work/dpkg.log" 2>&1; }
says() { grep -q -- "$1" "$work/dpkg.log"; }
samples() { inside nightwatt --json status | sed -n 's/.*"samples": *\([0-9]*\).*/\1/p' | tail -1; }
pid() { cat "$top/run/nightwattd.pid" 2>/dev/null || echo 0; }
records() {
  local before i
  before=$(samples)
  for i in $(seq 100); do
    [ "$(samples)" -le "$before" ] || return 0
    sleep 0.2
  done
  return 1
}
newest_run() { inside nightwatt --json runs | sed -n 's/.*"run": *\([0-9]*\).*/\1/p' | tail -1; }
records_in() { records && [ "$1" = "$(newest_run)" ]; } # RUN
rights_are() { # PATH MODE OWNER:GROUP, as the Debian in the folder names them
  [ "$(inside stat -c '%a %U:%G' "$1")" = "$2 $3" ]
}

echo "a Debian in $top"
debootstrap --variant=minbase --include=adduser bookworm "$top" >"$work/debootstrap.log" 2>&1 || { tail -5 "$work/debootstrap.log"; echo "SKIPPED: debootstrap could not fetch a Debian"; exit 77; }
mount -t proc proc "$top/proc"
mount --bind /dev "$top/dev"
mount --bind /dev/pts "$top/dev/pts"
mkdir -p "$top/run/systemd/system"
cat >"$top/usr/local/bin/systemctl" <<'SYSTEMCTL'
#!/bin/sh
# As systemctl, for one unit.
unit=/usr/lib/systemd/system/nightwattd.service
[ -f "$unit" ] || unit=/lib/systemd/system/nightwattd.service
pid=/run/nightwattd.pid
of() { sed -n "s/^$1=//p" "$unit"; }
runs() { [ -f "$pid" ] && kill -0 "$(cat "$pid")" 2>/dev/null; }
start() {
  runs && return 0
  install -d -o nightwatt -g nightwatt -m 0750 /run/nightwatt
  runuser -u nightwatt -- $(of ExecStartPre) >/dev/null || return 1
  setsid runuser -u nightwatt -- $(of ExecStart) </dev/null >>/tmp/service.log 2>&1 &
  echo $! >"$pid"  # setsid and runuser become the program
}
stop() {
  runs || { rm -f "$pid"; return 0; }
  kill "$(cat "$pid")"
  while runs; do sleep 0.1; done
  rm -f "$pid"
}
for word; do
  case "$word" in
    start) start ;;
    stop) stop ;;
    restart) stop; start ;;
    try-restart) runs || exit 0; stop; start ;;
    is-active) runs ;;
    is-enabled) echo enabled ;;
    *) continue ;;
  esac
  exit
done
SYSTEMCTL
chmod 755 "$top/usr/local/bin/systemctl"
cp "$top/usr/local/bin/systemctl" "$top/bin/systemctl"
cp "$package" "$top/tmp/first.deb"

inside apt-get -qq -y install --no-install-recommends /tmp/first.deb </dev/null >"$work/apt.log" 2>&1 || { tail -20 "$work/apt.log"; exit 1; }
check "the config is root's and the group's alone" rights_are /etc/nightwatt/nightwatt.toml 640 root:nightwatt
check "the service runs after the installation" inside systemctl is-active nightwattd.service
check "the store's folder is for user and group" rights_are /var/lib/nightwatt 750 nightwatt:nightwatt

# A meter, set up by root with a closed umask.
cat >"$top/tmp/meter.toml" <<'TOML'
protocol = "text-line"
line = { baud = 9600 }
interval_s = 1.0
[text-line]
form = "csv"
[[read]]
quantity = "power"
field = 1
resolution = 0.1
TOML
printf 'noise white 0.2\nlevel 25 for 24h\n' >"$top/tmp/night.sim"
inside nightwatt-sim --profile /tmp/meter.toml --script /tmp/night.sim --link /tmp/port --speed 10 >/dev/null 2>&1 &
echo $! >"$work/sim"
for _ in $(seq 50); do [ ! -L "$top/tmp/port" ] || break; sleep 0.1; done
chmod 666 "$(readlink "$top/tmp/port")"
before=$(md5sum <"$top/etc/nightwatt/nightwatt.toml")
check "setup adds a meter under umask 077" inside sh -c 'umask 077; nightwatt setup --port /tmp/port --field 1 --name shelf --add --yes >/dev/null'
check "it edits no file that was there" test "$before" = "$(md5sum <"$top/etc/nightwatt/nightwatt.toml")"
check "the service's group can read what it wrote" rights_are /etc/nightwatt/conf.d/shelf.toml 640 root:nightwatt
inside systemctl restart nightwattd.service
check "a night is being recorded" records

# Once more the version that is there, by somebody in doubt.
run=$(newest_run)
check "the same version installs a second time" dpkg_does -i /tmp/first.deb
check "and the night goes on in the same run" records_in "$run"

# An administrator's own change to the config, which a conffile would ask about.
echo "# mine" >>"$top/etc/nightwatt/nightwatt.toml"
another_version 1:99.1
old_pid=$(pid)
run=$(newest_run)
check "an upgrade goes through without a terminal" dpkg_does -i "/tmp/nightwatt_1:99.1.deb"
check "the new service has taken the old one's place" test "$(pid)" != "$old_pid"
check "the night goes on in the same run" records_in "$run"
check "the administrator's change is still there" grep -q '^# mine' "$top/etc/nightwatt/nightwatt.toml"

# Root can read it, the service's user cannot.
chmod 600 "$top/etc/nightwatt/conf.d/shelf.toml"
chown root:root "$top/etc/nightwatt/conf.d/shelf.toml"
another_version 1:99.2
old_pid=$(pid)
check "an upgrade that could not start goes through" dpkg_does -i "/tmp/nightwatt_1:99.2.deb"
check "it says so" says "would not start"
check "the old service is still the one that runs" test "$(pid)" = "$old_pid"
before=$(stat -c %s "$top/var/lib/nightwatt/nightwatt.db-wal")
chgrp "$(inside id -g nightwatt)" "$top/etc/nightwatt/conf.d/shelf.toml"
chmod 640 "$top/etc/nightwatt/conf.d/shelf.toml"
check "and records" records

check "a downgrade is refused" no dpkg_does -i "/tmp/nightwatt_1:99.1.deb"
check "it says why" says "is older"
check "the newer version stays installed" test "$(inside dpkg-query -W -f '${Status} ${Version}' nightwatt)" = "install ok installed 1:99.2"
check "and the night goes on" records

check "remove goes through" dpkg_does -r nightwatt
check "the service has stopped" no inside systemctl is-active nightwattd.service
check "the config stays" test -f "$top/etc/nightwatt/nightwatt.toml"
check "reinstalling goes through" dpkg_does -i "/tmp/nightwatt_1:99.2.deb"
check "the old config is used and the store goes on" records
check "purge goes through" dpkg_does -P nightwatt
check "the config is gone" no test -e "$top/etc/nightwatt"
check "what was measured stays" test -s "$top/var/lib/nightwatt/nightwatt.db"
check "the first version installs again after a purge" dpkg_does -i /tmp/first.deb
check "with a config as at first" rights_are /etc/nightwatt/nightwatt.toml 640 root:nightwatt
[ "$failed" = 0 ] || { echo "--- the last of dpkg"; cat "$work/dpkg.log"; echo "--- the service"; tail -20 "$top/tmp/service.log"; }
exit "$failed"
