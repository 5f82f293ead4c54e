"""A recording service with a simulated meter and a status page, in a folder of its own."""

import json
import os
import socket
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path

PROFILE = """protocol = "text-line"
line = { baud = 115200 }
interval_s = 1.0
[text-line]
form = "csv"
checksum = "xor"
[[read]]
quantity = "power"
field = 2
resolution = 0.01
accuracy = { percent = 0.5, floor = 0.02 }
"""
CONFIG = """[store]
path = "night.db"
flush_s = 0.5
[control]
socket = "control.sock"
[page]
listen = "127.0.0.1:%d"
%s
[[meter]]
name = %s
port = "port"
profile = "meter.toml"
shortest_segment_s = 5
"""
SLOWNESS = float(os.environ.get("NIGHTWATT_SLOWNESS", "1"))  # of programs under a sanitizer: every limit is stretched by it


def eventually(what, limit_s, condition):
    """The first true thing that `condition` gives, or an error that says what was waited for."""
    end = time.monotonic() + limit_s * SLOWNESS
    while True:
        found = condition()
        if found:
            return found
        assert time.monotonic() < end, f"waited {limit_s} s in vain: {what}"
        time.sleep(0.05)


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def answers(url):
    """Whatever it answers: the page that wants a token answers 401."""
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        opener.open(url, timeout=5).close()
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False
    return True


class Recorder:
    def __init__(self, binaries, script, page="", meter="bench"):
        self.binaries, self.script, self.page, self.meter = Path(binaries).resolve(), script, page, meter
        self.programs = []

    def __enter__(self):
        self.folder = tempfile.TemporaryDirectory(prefix="nightwatt-page-")
        port = free_port()
        self.url = f"http://127.0.0.1:{port}"
        self.path("meter.toml").write_text(PROFILE, encoding="utf-8")
        self.path("night.sim").write_text(self.script, encoding="utf-8")
        self.path("nightwatt.toml").write_text(CONFIG % (port, self.page, json.dumps(self.meter)), encoding="utf-8")
        self.path("nightwatt.toml").chmod(0o640)  # a test may put a token in
        try:
            self.start("nightwatt-sim", "--profile", "meter.toml", "--script", "night.sim", "--link", "port")
            eventually("the simulated meter has a port", 10, self.path("port").exists)
            self.service = self.start("nightwattd", "--config", "nightwatt.toml", "--foreground")
            eventually("the page answers", 10, lambda: answers(self.url))
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_):
        for program in reversed(self.programs):
            program.terminate()
            program.wait()
        self.folder.cleanup()

    def path(self, name):
        return Path(self.folder.name) / name

    def start(self, name, *words):
        quiet = {"stdin": subprocess.DEVNULL, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.programs.append(subprocess.Popen([self.binaries / name, *words], cwd=self.folder.name, **quiet))
        return self.programs[-1]

    def ask(self, *words):
        subprocess.run([self.binaries / "nightwatt", "--config", self.path("nightwatt.toml"), *words], check=True, capture_output=True)
