#!/usr/bin/env python3
"""Files as other programs write them, imported and held against Python's csv module, datetime and zoneinfo.

Usage: odd_files_test.py NIGHTWATT FOLDER. FOLDER/cases.toml says of each file what must come of it: the readings that Python
reads with the form named there, or a refusal with the words that it must hold. Exit status 1 if any case fails.
"""

import csv
import io
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)
# The day 0 of spreadsheets that count 1 January 1900 as 1 and hold 1900 for a leap year (ISO/IEC 29500-1, 18.17.4.1).
SERIAL_EPOCH = {1900: datetime(1899, 12, 30), 1904: datetime(1904, 1, 1)}
# A serial date of ten decimals is 4 microseconds fine; one of eight, 0.4 ms.
TIME_TOLERANCE_S = Decimal("0.0006")


def unix_seconds(moment):
    delta = moment - EPOCH
    return Decimal(delta.days * 86400 + delta.seconds) + Decimal(delta.microseconds) / 1000000


def in_zone(naive, how, previous):
    """A local time as an instant: of the two that an hour repeated in autumn allows, the first not before the last reading."""
    local = naive.replace(tzinfo=ZoneInfo(how.get("zone", "UTC")))
    if how.get("fold") and previous is not None and unix_seconds(local.astimezone(timezone.utc)) < previous:
        local = local.replace(fold=1)
    return unix_seconds(local.astimezone(timezone.utc))


def time_of(text, how, previous):
    form = how["form"]
    if form == "unix":
        return Decimal(text) * Decimal(how.get("time_scale", "1"))
    if form == "serial":
        number = text.replace(how.get("decimal", "."), ".")
        return in_zone(SERIAL_EPOCH[how.get("epoch", 1900)] + timedelta(days=float(number)), how, previous)
    if how.get("from_zero"):
        passed = datetime.strptime(text, form) - datetime.strptime("0", "%S")
        return Decimal(passed.seconds)
    moment = datetime.fromisoformat(text) if form == "iso" else datetime.strptime(text, form)
    return in_zone(moment, how, previous) if moment.tzinfo is None else unix_seconds(moment)


def power_of(text, how):
    text = text.removesuffix(how.get("strip", ""))
    if how.get("minus"):
        text = text.replace("\u2212", "-")
    if "thousands" in how:
        text = text.replace(how["thousands"], "")
    return Decimal(text.strip().replace(how.get("decimal", "."), ".")) * Decimal(how.get("factor", "1"))


def spread(readings):
    """Readings of one stamp go evenly up to the next one; those of the last stamp as those before them."""
    stamps = sorted({stamp for stamp, _ in readings})
    steps = {now: after - now for now, after in zip(stamps, stamps[1:])}
    steps[stamps[-1]] = steps[stamps[-2]]
    counts, seen, result = {}, {}, []
    for stamp, _ in readings:
        counts[stamp] = counts.get(stamp, 0) + 1
    for stamp, power in readings:
        place = seen.get(stamp, 0)
        seen[stamp] = place + 1
        result.append((stamp + steps[stamp] * place / counts[stamp], power))
    return result


def expected(path, how):
    text = path.read_bytes().decode(how.get("encoding", "utf-8-sig"))
    if how.get("comments"):
        text = "".join(line + "\n" for line in text.split("\n") if line and not line.startswith("#"))
    if how.get("blanks"):
        text = "".join(" ".join(line.split()) + "\n" for line in text.splitlines())
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=how.get("delimiter", ",")))
    columns = how.get("time", 0)
    columns = columns if isinstance(columns, list) else [columns]
    readings, previous = [], None
    for row in rows[how.get("skip", 1):]:
        if not row or row[how.get("power", 1)] in how.get("missing", []):
            continue
        previous = time_of(" ".join(row[column].strip() for column in columns), how, previous)
        readings.append((previous, power_of(row[how.get("power", 1)], how)))
    if how.get("reverse"):
        readings.reverse()
    if how.get("unique"):
        readings = list(dict.fromkeys(readings))
    return spread(readings) if how.get("spread") else readings


class Tool:
    def __init__(self, program, store, zone):
        self.program, self.store = program, store
        self.environment = dict(os.environ, TZ=zone, NO_COLOR="1", NIGHTWATT_CONFIG=os.devnull)

    def run(self, *words, stdin=None):
        return subprocess.run([self.program, "--store", self.store, *words], input=stdin, capture_output=True,
                              env=self.environment, timeout=60, check=False)

    def readings(self):
        done = self.run("export", "last", "--format", "csv")
        if done.returncode != 0:
            raise AssertionError("export failed: " + done.stderr.decode())
        lines = [line for line in done.stdout.decode().splitlines() if not line.startswith("#")]
        return [(Decimal(row["time"]), Decimal(row["power_w"])) for row in csv.DictReader(lines)]


def differences(found, wanted):
    if len(found) != len(wanted):
        yield f"{len(found)} readings, {len(wanted)} expected"
    for number, (have, want) in enumerate(zip(found, wanted), 1):
        if abs(have[0] - want[0]) > TIME_TOLERANCE_S or have[1] != want[1]:
            yield f"reading {number} is {have[0]} {have[1]} W, expected {float(want[0]):.6f} {want[1]} W"
            return


def check_readings(case, tool, done, folder):
    if done.returncode != 0:
        yield "refused: " + done.stderr.decode().strip()
        return
    said = done.stderr.decode()
    for word in case.get("says", []):
        if not any(line.startswith("read as: ") and word in line for line in said.splitlines()):
            yield f"does not say {word}: {said.strip()}"
    for word in case.get("warns", []):
        if word not in said:
            yield f"does not warn of {word}: {said.strip()}"
    answer = json.loads(done.stdout)
    wanted = expected(folder / case["file"], case["read"])
    if answer["samples"] != len(wanted) or answer["duplicates"] != case.get("duplicates", 0):
        yield f"answers {answer}"
    yield from differences(tool.readings(), wanted)
    yield from check_summary(case, tool, wanted)


def check_summary(case, tool, wanted):
    if "gap" not in case:
        return
    summary = json.loads(tool.run("summary", "last", "--json").stdout)
    if (summary["gap_s"] > 0) != bool(case["gap"]):
        yield f"gap_s is {summary['gap_s']}"
    if case.get("energy"):
        # Each reading holds until the next one.
        held = sum(power * (after[0] - begin) for (begin, power), after in zip(wanted, wanted[1:])) / 3600
        if abs(Decimal(summary["energy_wh"]) - held) > held / 100000:
            yield f"energy_wh is {summary['energy_wh']}, held {held:.5f}"


def check_refusal(case, tool, done):
    said = done.stderr.decode()
    if done.returncode != 2:
        yield f"exit status {done.returncode}, expected 2: {said.strip()}"
    if len(said.strip().splitlines()) != 1:
        yield f"not one line: {said.strip()}"
    for word in case["refused"]:
        if word not in said:
            yield f"does not name {word}: {said.strip()}"
    left = tool.run("runs", "--json")
    if left.returncode == 0 and json.loads(left.stdout)["runs"]:
        yield "something was stored"


def check(case, program, folder):
    with tempfile.TemporaryDirectory() as place:
        tool = Tool(program, os.path.join(place, "store.db"), case.get("tz", "UTC"))
        path = folder / case["file"]
        standard_input = path.read_bytes() if case.get("stdin") else None
        words = ["-" if case.get("stdin") else str(path), "--device", "odd", "--json", *case.get("args", [])]
        done = tool.run("import", *words, stdin=standard_input)
        if "refused" in case:
            return list(check_refusal(case, tool, done))
        return list(check_readings(case, tool, done, folder))


def check_interrupted(program):
    """Ctrl-C in the middle of a long import: the usual exit status, one line, and no store that was not there before."""
    with tempfile.TemporaryDirectory() as place:
        long_file, store = os.path.join(place, "long.csv"), os.path.join(place, "store.db")
        with open(long_file, "w", encoding="ascii") as file:
            file.write("time,power_w\n")
            file.writelines(f"{second},{5 + second % 7}\n" for second in range(1_500_000))
        with subprocess.Popen([program, "--store", store, "import", long_file, "--device", "odd"], stdout=subprocess.DEVNULL,
                              stderr=subprocess.PIPE) as importing:
            until = time.monotonic() + 60
            while not os.path.exists(store) and importing.poll() is None and time.monotonic() < until:
                time.sleep(0.01)
            importing.send_signal(signal.SIGINT)
            said = importing.communicate(timeout=60)[1].decode()
        if importing.returncode != 128 + signal.SIGINT or said != "nightwatt: stopped; nothing was stored\n":
            yield f"exit status {importing.returncode}: {said.strip()}"
        left = [name for name in os.listdir(place) if name.endswith(".db")]
        if left:
            yield f"left {left}"


def main():
    program, folder = sys.argv[1], Path(sys.argv[2])
    with open(folder / "cases.toml", "rb") as file:
        cases = tomllib.load(file)["case"]
    failed = 0
    for case in cases:
        faults = check(case, program, folder)
        failed += bool(faults)
        for fault in faults:
            print(f"{case['file']}: {case['name']}: {fault}")
    for fault in check_interrupted(program):
        failed += 1
        print(f"interrupted import: {fault}")
    print(f"{len(cases) - failed} of {len(cases)} cases as expected")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
