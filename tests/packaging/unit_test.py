#!/usr/bin/env python3
"""The service's unit does what its settings are for, as systemd.service(5), systemd.exec(5) and systemd.resource-control(5) say
of them: a reload needs no program but the shell, and devices are those of any board. Usage: unit_test.py UNIT.service.in

systemd itself judges the unit where it is there (verify, security); tools/dev package --check asks the installed one again.
"""

import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

MOST_EXPOSED = 2.5  # systemd-analyze's own scale of ten; below 3 it calls "OK", and what is left is the network of the status page

failures = []


def check(what, good):
    if not good:
        failures.append(what)


def settings_of(text):
    settings = {}
    for line in text.splitlines():
        match = re.match(r"(\w+)=(.*)", line)
        if match:
            settings.setdefault(match[1], []).append(match[2])
    return settings


def reload_reaches(command):
    """What ExecReload runs, with nothing on the path, tells the main process: a child that waits for the signal."""
    child = os.fork()
    if child == 0:
        signal.signal(signal.SIGHUP, signal.SIG_DFL)
        signal.pause()
        os._exit(0)
    words = [word.replace("$$", "$") for word in shlex.split(command)]
    done = subprocess.run(words, env={"MAINPID": str(child), "PATH": "/nonexistent"}, check=False)
    limit = time.monotonic() + 5
    ended, status = 0, 0
    while ended == 0 and time.monotonic() < limit:
        ended, status = os.waitpid(child, os.WNOHANG)
    if ended == 0:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    return done.returncode == 0 and ended == child and os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGHUP


def judged_by_systemd(text):
    if shutil.which("systemd-analyze") is None:
        print("SKIPPED in part: no systemd-analyze here")
        return
    with tempfile.TemporaryDirectory() as folder:
        unit = Path(folder) / "nightwattd.service"
        unit.write_text(text.replace("@CMAKE_INSTALL_FULL_DOCDIR@", "/usr/share/doc/nightwatt").replace("@CMAKE_INSTALL_FULL_BINDIR@/nightwattd", "/bin/true"))
        verified = subprocess.run(["systemd-analyze", "verify", "--man=no", unit], capture_output=True, text=True)
        check(f"systemd-analyze verify: {verified.stdout}{verified.stderr}", verified.returncode == 0 and not verified.stderr.strip())
        judged = subprocess.run(["systemd-analyze", "security", "--offline=yes", "--no-pager", unit], capture_output=True, text=True)
        found = re.search(r"Overall exposure level for \S+: ([\d.]+)", judged.stdout)
        check(f"systemd-analyze security: {judged.stderr or found}", found and float(found[1]) <= MOST_EXPOSED)


def main():
    text = Path(sys.argv[1]).read_text(encoding="utf-8")
    unit = settings_of(text)
    check("a reload sends SIGHUP with no program on the path", reload_reaches(unit["ExecReload"][0]))
    # rfcomm, usbtmc, hidraw and ttyAMA alike: every driver of characters, whether it is loaded by now or not, and no disk.
    check("devices: every character device", unit["DevicePolicy"] == ["closed"] and unit["DeviceAllow"] == ["char-* rw"])
    check("it runs as its own user, who is in the group of the ports", unit["User"] == ["nightwatt"] and unit["SupplementaryGroups"] == ["dialout"])
    check("it makes files for its group alone", unit["UMask"] == ["0027"] and unit["StateDirectoryMode"] == ["0750"])
    check("it is checked before it starts", "--check" in unit["ExecStartPre"][0])
    judged_by_systemd(text)
    for failure in failures:
        print("not so:", failure)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
