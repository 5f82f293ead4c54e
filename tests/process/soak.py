#!/usr/bin/env python3
"""The real service for MINUTES among all that befalls it at once, held against its meters' own records afterwards.

usage: soak.py BIN_FOLDER MINUTES SEED

Real files on a small disk, real pseudo-terminals. By turns drawn from SEED: kill -9 every 5 to 60 s, a meter unplugged and
back, faults on the line, the disk full for a while, steps of the calendar (through a clock that is loaded before the C
library's), runs begun, ended and marked. Afterwards each stored reading must be one that the simulated meters wrote down, in
their order, shown at a time that the calendar said then or was put right to; what was said and is not stored must be excused
by a kill (flush_s before it), an unplugged port, a fault on the line or a full disk; every run that was promised must be
there; and `check` must find nothing. Root may mount the small disk; without it the disk does not fill up. Exit status 1:
something was wrong or lost.
"""

import bisect
import contextlib
import csv
import io
import json
import mmap
import os
import random
import signal
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

FLUSH_S = 1.0
# A busy machine may run the service's commit late; a kill then loses as much more.
BUSY_S = 0.5
# A reading sent this shortly before an end in order may still be on its way through the pseudo-terminal.
ON_THE_WAY_S = 0.3
# A port that is back is found by looking once a second; the line is then listened to for a time-out.
FOUND_AGAIN_S = 4.0
# After trouble with the disk the service tries again after at most ten seconds (docs/architecture of the store thread).
ROOM_AGAIN_S = 12.0
# A step is noticed with the next reading, and one of less than a second is none.
NOTICED_S, STEP_LIMIT_S = 3.0, 1.2
FARTHEST_S = 3 * 365 * 86400
# About a fault on the line: the frame before it and those that run into it.
LINE_S = 4.5

CLOCK_SOURCE = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>
/* The calendar is off by as many microseconds as a shared file says; the monotonic clocks are as they are. */
static volatile long long *off_us;
static int (*real)(clockid_t, struct timespec *);
__attribute__((constructor)) static void begin(void) {
  real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
  const char *name = getenv("SOAK_CLOCK");
  int file = name ? open(name, O_RDONLY | O_CLOEXEC) : -1;
  if (file < 0) return;
  off_us = mmap(0, sizeof *off_us, PROT_READ, MAP_SHARED, file, 0);
  close(file);
}
int clock_gettime(clockid_t id, struct timespec *now) {
  int code = real(id, now);
  if (code == 0 && off_us && (id == CLOCK_REALTIME || id == CLOCK_REALTIME_COARSE)) {
    long long us = now->tv_sec * 1000000LL + now->tv_nsec / 1000 + *off_us;
    now->tv_sec = us / 1000000;
    now->tv_nsec = us % 1000000 * 1000;
  }
  return code;
}
int gettimeofday(struct timeval *now, void *zone) {
  (void)zone;
  struct timespec exact;
  int code = clock_gettime(CLOCK_REALTIME, &exact);
  now->tv_sec = exact.tv_sec;
  now->tv_usec = exact.tv_nsec / 1000;
  return code;
}
time_t time(time_t *out) {
  struct timespec exact;
  clock_gettime(CLOCK_REALTIME, &exact);
  if (out) *out = exact.tv_sec;
  return exact.tv_sec;
}
"""

LINE_PROFILE = """protocol = "text-line"
line = { baud = 115200 }
interval_s = 1.0
[text-line]
form = "csv"
checksum = "xor"
[[read]]
quantity = "power"
field = 2
resolution = 0.001
[[read]]
quantity = "energy"
field = 3
scale = 0.0001
resolution = 0.0001
"""

MODBUS_PROFILE = """protocol = "modbus-rtu"
line = { baud = 19200, parity = "even" }
interval_s = 1.0
[modbus-rtu]
unit = 3
timeout_s = 0.3
retries = 1
[[read]]
quantity = "power"
function = 4
register = 12
type = "s32"
scale = 0.001
resolution = 0.001
[[read]]
quantity = "energy"
function = 4
register = 40
type = "u32"
scale = 0.0001
resolution = 0.0001
"""

def say(text):
    print(f"{time.strftime('%H:%M:%S')} {text}", flush=True)


class Meter:
    """A simulated meter with its script, drawn from the seed, and its own record."""

    def __init__(self, folder, bin_folder, name, profile, length_s, draw):
        self.name, self.log = name, folder / f"{name}.log"
        self.asked = "modbus" in profile
        (folder / f"{name}.toml").write_text(profile)
        self.excused = []  # simulated seconds from, to
        script = ["voltage 229.8", "energy 12.5"]
        at = 0.0
        while at < length_s:
            stage = draw.uniform(20, 120)
            level = draw.choice([0.3, 1.4, 8.2, 24.5, 61])
            # Digits that hardly ever repeat: which reading is which, the values alone say.
            script += [f"noise white {0.04 if level < 1 else 0.4}", f"level {level} for {stage:.1f}"]
            at += stage
        for at in self._moments(length_s, draw, 15, 60):
            fault = draw.choice(["noise 9", "noise 200", "cut", "checksum", "checksum 2", "silence 12", "garbage 3", "twice", "unplug"])
            lasts = 0.0
            if fault.startswith(("silence", "garbage")):
                lasts = float(fault.split()[1])
            if fault == "unplug":
                lasts = round(draw.uniform(0.5, 20.0), 1)
                fault = f"unplug {lasts}"
            script.append(f"at {at:.1f} {fault}")
            more = FOUND_AGAIN_S if fault.startswith("unplug") else 0.0
            if fault != "twice":
                self.excused.append((at - LINE_S, at + lasts + LINE_S + more))
        (folder / f"{name}.sim").write_text("\n".join(script) + "\n")
        self.faults = len(self.excused)
        self.process = subprocess.Popen(
            [bin_folder / "nightwatt-sim", "--profile", folder / f"{name}.toml", "--script", folder / f"{name}.sim", "--link",
             folder / f"{name}.port", "--log", self.log, "--seed", str(draw.randrange(1, 1 << 30))])

    @staticmethod
    def _moments(length_s, draw, least_s, most_s):
        at = draw.uniform(least_s, most_s)
        while at < length_s:
            yield at
            at += draw.uniform(least_s, most_s)

    def stop(self):
        self.process.terminate()
        self.process.wait(10)

    def said(self):
        """Of each frame that was said whole: when in real time, when in simulated time, its values."""
        frames = []
        for line in self.log.read_text().splitlines():
            words = line.split()
            if line.startswith("#") or len(words) < 5 or words[3] not in ("good", "twice"):
                continue
            values = {key: float(value) for key, value in (word.split("=") for word in words[4:])}
            # What a meter that speaks by itself says twice is two readings; an answer is one.
            times = 2 if words[3] == "twice" and not self.asked else 1
            frames += [(float(words[2]), float(words[1]), values)] * times
        return frames


class Calendar:
    """What the service takes for the time of day, and what it has been."""

    def __init__(self, folder):
        self.path = folder / "clock"
        self.path.write_bytes(struct.pack("q", 0))
        with open(self.path, "r+b") as file:
            self.memory = mmap.mmap(file.fileno(), 8)
        self.steps = [(0.0, 0.0)]  # real time, offset from then on

    def step_to(self, off_s):
        self.memory[:] = struct.pack("q", int(off_s * 1e6))
        self.steps.append((time.time(), off_s))

    @property
    def off_s(self):
        return self.steps[-1][1]

    def since(self, from_s):
        """As it was then, and as it was put right later: the machine was never started anew."""
        times = [at for at, _ in self.steps]
        return {off for _, off in self.steps[max(0, bisect.bisect_right(times, from_s) - 1):]}

    @staticmethod
    def preload(folder):
        source, library = folder / "clock.c", folder / "clock.so"
        source.write_text(CLOCK_SOURCE)
        subprocess.run(["cc", "-O1", "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
        return library


class Disk:
    """A small one that can be filled, where that may be mounted."""

    def __init__(self, folder):
        self.folder = folder / "disk"
        self.folder.mkdir()
        self.mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", self.folder], capture_output=True).returncode == 0
        self.full = []  # real time from, to
        self.ballast = self.folder / "ballast"

    def fill(self):
        with contextlib.suppress(OSError), open(self.ballast, "wb", buffering=0) as file:
            while file.write(bytes(4096)):
                pass
        self.full.append([time.time(), None])

    def make_room(self):
        self.ballast.unlink(missing_ok=True)
        self.full[-1][1] = time.time()

    def __del__(self):
        if self.mounted:
            subprocess.run(["umount", "-l", self.folder], check=False)


class Service:
    def __init__(self, folder, bin_folder, calendar, library):
        self.folder, self.bin = folder, bin_folder
        self.environment = {**os.environ, "LD_PRELOAD": str(library), "SOAK_CLOCK": str(calendar.path)}
        self.ups = []  # [from, to, killed] in real time
        self.process = None

    def ask(self, *words):
        command = [self.bin / "nightwatt", "--config", self.folder / "nightwatt.toml", "--json", *words]
        return subprocess.run(command, capture_output=True, text=True, env=self.environment, timeout=60)

    def start(self):
        log = open(self.folder / "service.log", "a")
        self.process = subprocess.Popen([self.bin / "nightwattd", "--config", self.folder / "nightwatt.toml", "--foreground"],
                                        stdout=log, stderr=log, env=self.environment)
        self.ups.append([time.time(), None, True])

    def kill(self):
        self.ups[-1][1] = time.time()
        self.process.kill()
        self.process.wait()

    def stop(self):
        self.ups[-1][1:] = [time.time(), False]
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(10)


class Soak:
    def __init__(self, folder, bin_folder, minutes, seed):
        self.draw = random.Random(seed)
        self.folder, self.end_s = folder, minutes * 60.0
        self.calendar = Calendar(folder)
        self.disk = Disk(folder)
        length_s = self.end_s + 60
        self.meters = [Meter(folder, bin_folder, "bench", LINE_PROFILE, length_s, self.draw),
                       Meter(folder, bin_folder, "shelf", MODBUS_PROFILE, length_s, self.draw)]
        (folder / "nightwatt.toml").write_text(
            f'[store]\npath = "disk/night.db"\nflush_s = {FLUSH_S}\n[control]\nsocket = "control.sock"\n'
            + "".join(f'[[meter]]\nname = "{meter.name}"\nport = "{meter.name}.port"\nprofile = "{meter.name}.toml"\nauto_end_s = 60\n'
                      for meter in self.meters))
        self.service = Service(folder, bin_folder, self.calendar, Calendar.preload(folder))
        self.promised, self.counts, self.problems = {}, {}, []

    def count(self, what):
        self.counts[what] = self.counts.get(what, 0) + 1

    def problem(self, text):
        self.problems.append(text)
        say("WRONG: " + text)

    def live(self):
        began = time.time()
        self.service.start()
        due = {"kill": 20.0, "disk": 90.0, "clock": 45.0, "people": 15.0}
        room_at = None
        while (now := time.time() - began) < self.end_s:
            if room_at and now >= room_at:
                self.disk.make_room()
                room_at = None
            if self.service.process.poll() is not None:
                self.problem(f"the service ended by itself with {self.service.process.returncode}")
                self.service.ups[-1][1] = time.time()
                self.service.start()
            if now >= due["kill"]:
                self.service.kill()
                self.count("kills")
                time.sleep(self.draw.choice([0.0, 0.0, 0.5, 3.0]))
                self.service.start()
                due["kill"] = now + self.draw.uniform(5, 60)
            if now >= due["disk"] and self.disk.mounted and not room_at:
                self.disk.fill()
                self.count("full disks")
                room_at = now + self.draw.uniform(3, 25)
                due["disk"] = now + self.draw.uniform(60, 240)
            if now >= due["clock"]:
                self.step()
                due["clock"] = now + self.draw.uniform(10, 90)
            if now >= due["people"]:
                self.people()
                due["people"] = now + self.draw.uniform(5, 40)
            time.sleep(0.05)
        if room_at:
            self.disk.make_room()
            time.sleep(ROOM_AGAIN_S)
        if status := self.service.stop():
            self.problem(f"the service ended with {status}")
        for meter in self.meters:
            meter.stop()

    def step(self):
        self.count("clock steps")
        step = self.draw.choice([2, -2, 3600, -3600, 86400, -86400, 400 * 86400, "right", "right", "1970"])
        if step == "right" or self.calendar.off_s > FARTHEST_S:
            self.calendar.step_to(0.0)
        elif step == "1970":
            self.calendar.step_to(-time.time() + self.draw.uniform(0, 1e6))
        else:
            self.calendar.step_to(self.calendar.off_s + step)

    def people(self):
        meter = self.draw.choice(self.meters).name
        self.count("requests")
        kind = self.draw.choice(["begin", "end", "mark", "query"])
        if kind == "begin":
            device = f"Puffin {len(self.promised) + 1}"
            answer = self.service.ask("begin", device, "--meter", meter)
            self.promised[device] = answer.returncode
        elif kind == "end":
            answer = self.service.ask("end", "--meter", meter)
        elif kind == "mark":
            answer = self.service.ask("mark", "door opened", "--meter", meter)
        else:
            answer = self.service.ask("summary", "last")
        if answer.returncode not in (0, 1, 3):
            self.problem(f"{kind} ended with {answer.returncode}: {answer.stderr.strip()}")

    def look(self):
        check = self.service.ask("check")
        if check.returncode != 0:
            self.problem("check: " + check.stdout.strip()[:500] + check.stderr.strip())
        devices = [run.get("device") for run in json.loads(self.service.ask("runs").stdout or "{}").get("runs", [])]
        for device, status in self.promised.items():
            if status == 0 and device not in devices:
                self.problem(f"begun and gone: {device}")
            if status in (1, 2) and device in devices:
                self.problem(f"begun though refused: {device}")
        for meter in self.meters:
            self.look_at(meter)

    def stored(self, meter):
        said = self.service.ask("export", "--meter", meter.name, "--from", "0", "--to", "4000000000", "--format", "csv")
        if said.returncode != 0:
            self.problem("export: " + said.stderr.strip())
        lines = [line for line in said.stdout.splitlines() if not line.startswith("#")]
        return [{key: float(value) for key, value in row.items() if value} for row in csv.DictReader(io.StringIO("\n".join(lines)))]

    def look_at(self, meter):
        said, stored = meter.said(), self.stored(meter)
        found, place = set(), 0
        for reading in stored:
            while place < len(said) and not (self.same(reading, said, place) and self.shown_right(reading, said[place][0])):
                place += 1
            if place == len(said):
                self.problem(f"{meter.name}: {reading} was not said then, or is out of order, or is there twice")
                return
            found.add(place)
            place += 1
        lost, excused = self.losses(meter, said, found)
        say(f"{meter.name}: said {len(said)}, stored {len(stored)}, missing and excused {excused}, lost {lost}, faults on its line {meter.faults}")

    def shown_right(self, reading, at):
        off = reading["time"] - at
        return any(abs(off - allowed) <= STEP_LIMIT_S for allowed in self.calendar.since(at - NOTICED_S))

    @staticmethod
    def same(values, said, place):
        """A meter that is asked twice a reading says power and energy each for itself; a reading has its power's time."""
        there = said[place][2]
        if "power_w" not in there or there["power_w"] != values.get("power_w"):
            return False
        if "energy_wh" in there and "energy_wh" in values:
            return there["energy_wh"] == values["energy_wh"]
        near = [other[2]["energy_wh"] for other in said[place:place + 8] if "energy_wh" in other[2]]
        return "energy_wh" not in values or values["energy_wh"] in near

    def losses(self, meter, said, found):
        """Asked meters say some powers twice, to be sure whose answer they are: theirs is a reading within two seconds."""
        first_s = said[0][0] - said[0][1] if said else 0.0
        stored_at = sorted(said[place][0] for place in found)
        lost = excused = 0
        for place, (at, simulated, values) in enumerate(said):
            if place in found or "power_w" not in values:
                continue
            if meter.asked:
                near = bisect.bisect_left(stored_at, at - 1.2)
                if near < len(stored_at) and stored_at[near] <= at + 1.2:
                    continue
            if self.excuses(meter, at, at - first_s if simulated is None else simulated):
                excused += 1
                continue
            lost += 1
            self.problem(f"{meter.name}: said at {at:.3f} and not stored: {values}")
        return lost, excused

    def excuses(self, meter, at, simulated):
        if any(begin <= simulated <= end for begin, end in meter.excused):
            return True
        if any(begin - FLUSH_S - BUSY_S <= at <= end + ROOM_AGAIN_S for begin, end in self.disk.full):
            return True
        for begin, end, killed in self.service.ups:
            if begin + FOUND_AGAIN_S <= at <= end - (FLUSH_S + BUSY_S if killed else ON_THE_WAY_S):
                return False
        return True


def main():
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    bin_folder, minutes, seed = Path(sys.argv[1]).resolve(), float(sys.argv[2]), int(sys.argv[3])
    folder = Path(tempfile.mkdtemp(prefix="nightwatt-soak-"))
    soak = Soak(folder, bin_folder, minutes, seed)
    soak.live()
    soak.look()
    say(f"{minutes:g} minutes, seed {seed}: {soak.counts}; {len(soak.problems)} wrong" + ("" if soak.disk.mounted else "; the disk could not be filled"))
    if soak.problems:
        say(f"left as it is: {folder}")
        subprocess.run(["cp", "-a", soak.disk.folder, folder / "disk.copy"], check=False)
    return 1 if soak.problems else 0


if __name__ == "__main__":
    sys.exit(main())
