#!/usr/bin/env python3
"""What `status` says of a mirror: how far behind it is, that it is not connected and why, and nothing where there is none.

A socket of the test's own answers as the service would; docs/many-rigs.md says what must come of it. Usage:
mirror_status_test.py NIGHTWATT. Exit status 1 if any answer is shown otherwise.
"""

import json
import socket
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

CASES = [
    ({"connected": True, "copied": 86400, "behind_s": 4.0, "trouble": ""}, "mirror   4 s behind, 86400 readings brought"),
    ({"connected": True, "copied": 0, "behind_s": None, "trouble": ""}, "mirror   not yet up to date, 0 readings brought"),
    ({"connected": False, "copied": 7, "behind_s": 7200.0, "trouble": "no space left"},
     "mirror   not connected, 2 h behind: no space left"),
    (None, None),
]


def answer_once(server, mirror):
    connection, _ = server.accept()
    with connection, connection.makefile("rw") as lines:
        lines.readline()
        lines.write(json.dumps({"ok": True, "meters": [], "queue": 0, "paused": False, "mirror": mirror}) + "\n")
        lines.flush()


def asked(nightwatt, folder, server, mirror, *words):
    service = threading.Thread(target=answer_once, args=(server, mirror))
    service.start()
    done = subprocess.run([nightwatt, "--config", folder / "nightwatt.toml", *words, "status"], capture_output=True, text=True,
                          timeout=20, check=False)
    service.join()
    return done.stdout


def main():
    nightwatt = sys.argv[1]
    bad = 0
    with tempfile.TemporaryDirectory() as name, socket.socket(socket.AF_UNIX) as server:
        folder = Path(name)
        (folder / "nightwatt.toml").write_text('[store]\npath = "night.db"\n[control]\nsocket = "control.sock"\n')
        server.settimeout(20)
        server.bind(str(folder / "control.sock"))
        server.listen()
        for mirror, expected in CASES:
            shown = asked(nightwatt, folder, server, mirror)
            told = [line for line in shown.splitlines() if line.startswith("mirror")]
            if told != ([expected] if expected else []):
                print(f"of {mirror} status says {told or shown!r}, expected {expected!r}")
                bad += 1
            in_json = json.loads(asked(nightwatt, folder, server, mirror, "--json")).get("mirror")
            if (in_json or {}).get("behind_s") != (mirror or {}).get("behind_s"):
                print(f"of {mirror} status --json says {in_json}")
                bad += 1
    sys.exit(bad > 0)


main()
