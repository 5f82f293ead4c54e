#!/usr/bin/env python3
"""The picture of the live view in the README, made by the real programs: make_live_picture.py BUILD_FOLDER OUT.svg

Plays the demonstration's Gannet board, slowed to a few minutes, to the real service, lets `nightwatt status --follow` draw
on a pseudo-terminal for a while, and writes what it shows as an SVG. Takes about two minutes.
"""

import fcntl
import html
import os
import pty
import re
import select
import struct
import subprocess
import sys
import tempfile
import termios
import time

COLUMNS, ROWS = 92, 22
WATCHED_S = 110

SCRIPT = """display 0.1
voltage 229.6 noise 0.2
noise white 0.05
level 0 for 8
irregular 1 6 every 0.5s for 8
noise correlated 0.03 over 1s
level 2 for 40
settle 4.7 from 5.3 tau 4s for 1h
"""
PROFILE = """protocol = "text-line"
line = { baud = 115200 }
interval_s = 0.25
[text-line]
form = "csv"
[[read]]
quantity = "power"
field = 2
resolution = 0.1
accuracy = { percent = 0.5, floor = 0.01 }
[[read]]
quantity = "voltage"
field = 3
resolution = 0.1
"""
CONFIG = """[store]
path = "night.db"
[control]
socket = "control.sock"
[[meter]]
name = "bench"
port = "port"
profile = "bench.toml"
shortest_segment_s = 8
"""
TONES = {"1": "#ffffff", "2": "#8a93a0", "31": "#ff7b72", "32": "#7ee787", "33": "#e3b341", "34": "#79c0ff", "35": "#d2a8ff", "36": "#76e3ea"}


class Terminal:
    """Cells with their tone; knows the sequences that the live view sends."""

    def __init__(self):
        self.cells = [[(" ", "")] * COLUMNS for _ in range(ROWS)]
        self.row = self.column = 0
        self.tone = ""
        self.pending = ""

    def feed(self, text):
        self.pending += text
        pattern = re.compile(r"\x1b\[([0-9;?]*)([A-Za-z])|\x1b.?|[^\x1b]")
        at = 0
        while at < len(self.pending):
            found = pattern.match(self.pending, at)
            if found.group(0).startswith("\x1b") and not found.group(2):
                break  # the rest of the sequence has not come yet
            at = found.end()
            self.obey(found) if found.group(2) else self.put(found.group(0))
        self.pending = self.pending[at:]

    def put(self, glyph):
        if self.row < ROWS and self.column < COLUMNS:
            self.cells[self.row][self.column] = (glyph, self.tone)
        self.column += 1

    def obey(self, found):
        arguments, what = found.groups()
        if what == "H":
            row, column = (arguments or "1;1").split(";")
            self.row, self.column = int(row) - 1, int(column) - 1
        elif what == "m":
            self.tone = "" if arguments in ("", "0") else arguments
        elif what == "K":
            self.cells[self.row][self.column:] = [(" ", "")] * (COLUMNS - self.column)
        elif what == "J":
            self.cells = [[(" ", "")] * COLUMNS for _ in range(ROWS)]


def svg(terminal):
    width, height, left, top = 8.4, 17, 14, 24
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {COLUMNS * width + 2 * left:.0f} {ROWS * height + 2 * left:.0f}" '
        'font-family="DejaVu Sans Mono, Liberation Mono, monospace" font-size="14">',
        '<rect width="100%" height="100%" rx="8" fill="#161b22"/>',
    ]
    for row, cells in enumerate(terminal.cells):
        column = 0
        while column < COLUMNS:
            end = column
            while end < COLUMNS and cells[end][1] == cells[column][1]:
                end += 1
            text = "".join(glyph for glyph, _ in cells[column:end])
            if text.strip():
                colour = TONES.get(cells[column][1], "#d0d7de")
                weight = ' font-weight="bold"' if cells[column][1] == "1" else ""
                out.append(
                    f'<text xml:space="preserve" x="{left + column * width:.1f}" y="{top + row * height}" fill="{colour}"{weight} '
                    f'textLength="{len(text) * width:.1f}" lengthAdjust="spacingAndGlyphs">{html.escape(text)}</text>'
                )
            column = end
    return "\n".join(out + ["</svg>"]) + "\n"


def watch(command, environment):
    terminal = Terminal()
    pid, master = pty.fork()
    if pid == 0:
        os.execvpe(command[0], command, environment)
    fcntl.ioctl(master, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
    os.write(master, b"--")  # the last two minutes
    until = time.monotonic() + WATCHED_S
    data = b""
    while time.monotonic() < until:
        if select.select([master], [], [], 0.5)[0]:
            data += os.read(master, 65536)
            whole = data.decode("utf-8", "ignore")
            terminal.feed(whole)
            data = data[len(whole.encode()):]
    os.write(master, b"q")
    os.waitpid(pid, 0)
    return terminal


def main():
    build, out = os.path.abspath(sys.argv[1]), sys.argv[2]
    environment = dict(os.environ, TERM="xterm-256color", TZ="UTC0")
    with tempfile.TemporaryDirectory(prefix="nightwatt-picture-") as folder:
        for name, text in (("night.sim", SCRIPT), ("bench.toml", PROFILE), ("nightwatt.toml", CONFIG)):
            with open(os.path.join(folder, name), "w", encoding="utf-8") as file:
                file.write(text)
        config = ["--config", os.path.join(folder, "nightwatt.toml")]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        meter = subprocess.Popen([f"{build}/bin/nightwatt-sim", "--profile", f"{folder}/bench.toml", "--script", f"{folder}/night.sim",
                                  "--link", f"{folder}/port", "--seed", "11"], **quiet)
        service = subprocess.Popen([f"{build}/bin/nightwattd", *config, "--foreground"], **quiet)
        try:
            begin = [f"{build}/bin/nightwatt", *config, "begin", "Gannet board"]
            while subprocess.run(begin, **quiet).returncode != 0:
                time.sleep(0.1)
            terminal = watch([f"{build}/bin/nightwatt", *config, "status", "--follow"], environment)
        finally:
            for program in (service, meter):
                program.terminate()
                program.wait()
    with open(out, "w", encoding="utf-8") as file:
        file.write(svg(terminal))
    print("\n".join("".join(glyph for glyph, _ in row).rstrip() for row in terminal.cells))


main()
