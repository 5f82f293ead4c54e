#!/usr/bin/env python3
"""The decoder of docs/python gives, reading for reading and digit for digit, what the program exports.

Usage: python_store_test.py ROOT NIGHTWATT. 77 (ctest: skipped) where neither the module zstandard nor the program zstd is.
"""

import csv
import os
import random
import subprocess
import sys
import tempfile
from decimal import Decimal
from pathlib import Path

SEED = 20260105


def night(path, count, late, noise):
    """A made-up record: whole seconds or late by milliseconds, a voltage that is missing now and then, a counter.

    `noise`: of watts about a level, on a display of whole ones; 0: they jump about.
    """
    dice = random.Random(SEED)
    energy = Decimal("12.0")
    with open(path, "w", encoding="ascii") as file:
        file.write("time,power_w,voltage_v,energy_wh\n")
        for second in range(count):
            watts = Decimal(dice.randrange(100, 140)) / (100 if second % 7 else 10) + (20 if second % 5000 > 2500 else 0)
            if noise:
                watts = round(dice.gauss(25.3 + second / 20_000, noise))
            energy += Decimal("0.1") if second % 9 == 0 else 0
            volts = "" if second % 11 == 0 else 230 + dice.randrange(3)
            time = 1_767_646_800 + second + (Decimal(dice.randrange(900)) / 1000 if late else 0)
            file.write(f"{time},{watts},{volts},{energy}\n")


def exported(program, store, run):
    text = subprocess.run([program, "--store", store, "export", str(run)], capture_output=True, text=True, check=True).stdout
    for row in csv.DictReader(text.splitlines()):
        time = row.pop("time")
        yield Decimal(time), {name: value for name, value in row.items() if value != ""}


def main():
    root, program = Path(sys.argv[1]), sys.argv[2]
    sys.path.insert(0, str(root / "docs/python"))
    import shutil
    import store_readings
    if store_readings.zstandard is None and shutil.which("zstd") is None:
        print("SKIPPED: neither python3-zstandard nor zstd is installed; the decoder of docs/python was not tried")
        return 77
    failed = 0
    with tempfile.TemporaryDirectory() as place:
        store, file = os.path.join(place, "store.db"), os.path.join(place, "night.csv")
        # The first fill blocks and a tail; the last is in the tail alone.
        for run, (count, late, noise) in enumerate(
                [(40_000, False, 0), (25_000, True, 0), (17_000, False, 0.5), (50, True, 0)], 1):
            night(file, count, late, noise)
            subprocess.run([program, "--store", store, "import", file, "--device", "Gannet board"], check=True,
                           stdout=subprocess.DEVNULL)
            wanted = list(exported(program, store, run))
            found = list(store_readings.readings(store, run))
            if len(wanted) != count or len(found) != count:
                print(f"run {run}: {len(wanted)} exported, {len(found)} decoded, {count} written")
                failed += 1
                continue
            for (time, values), (want_time, want) in zip(found, wanted):
                texts = {name: format(value, "f") for name, value in values.items()}
                if abs(Decimal(time) - want_time) > Decimal("0.000001") or texts != want:
                    print(f"run {run}: {time} {texts}, exported {want_time} {want}")
                    failed += 1
                    break
    print("the decoder agrees with export" if failed == 0 else f"{failed} runs differ")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
