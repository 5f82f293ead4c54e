#!/usr/bin/env python3
"""The report of ten nights and of a long run: how long it takes beside `compare` of the same store, how large it is, and how
soon headless Chromium draws it beside an empty page. Usage: bench_report [SECONDS_OF_THE_LONG_RUN]"""

import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.dont_write_bytecode = True
sys.path.insert(0, "@CMAKE_SOURCE_DIR@/tests/page")
from browser import Browser, first_paint_ms, missing  # noqa: E402
from nights import BEGIN, Store  # noqa: E402

NIGHT_S = 28_800  # eight hours, a reading a second
LONG_S = 2_000_000  # 23 days: beyond what is read in one pass, so that the sums beside the blocks are asked
TIMES = 5


def timed(store, *words):
    """Median wall and processor time of a whole process, in ms."""
    walls, processors = [], []
    for _ in range(TIMES):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        began = time.perf_counter()
        store.call(*words)
        walls.append((time.perf_counter() - began) * 1e3)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        processors.append((after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime) * 1e3)
    return f"{statistics.median(walls):6.0f} ms, processor {statistics.median(processors):6.0f} ms"


def make(store, what, page, *runs):
    print(f"report of {what}:  {timed(store, 'report', '-o', page, *runs)}, {page.stat().st_size / 1e3:.0f} kB")
    print(f"compare of the same: {timed(store, 'compare', *runs)}")


def draw(pages):
    absent = missing()
    if absent:
        print(f"first drawn: SKIPPED, no {' and no '.join(absent)} here")
        return
    with Browser() as browser:
        for what, page in pages:
            first_paint_ms(browser, page.as_uri())
            all_ms = [first_paint_ms(browser, page.as_uri()) for _ in range(TIMES)]
            print(f"{what} first drawn after {statistics.median(all_ms):.0f} ms (median of {TIMES}, {min(all_ms):.0f} to {max(all_ms):.0f})")


def main():
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store = Store("@CMAKE_BINARY_DIR@/bin/nightwatt", folder)
        for night in range(10):
            store.night(f"Box {night}", 5.0 + night, 20.0 + 3 * night, seconds=NIGHT_S, seed=night, begin=BEGIN + 86_400 * night,
                        gap=night % 3 == 0)
        ten, empty = folder / "ten.html", folder / "empty.html"
        make(store, f"ten runs of {NIGHT_S} readings", ten)
        empty.write_text("<!DOCTYPE html><title>empty</title><p>empty")
        draw([("ten runs' page", ten), ("an empty page", empty)])
        seconds = int(sys.argv[1]) if len(sys.argv) > 1 else LONG_S
        long = store.night("Long box", 6.0, 30.0, seconds=seconds, seed=99)
        make(store, f"one run of {seconds} readings", folder / "long.html", long)


if __name__ == "__main__":
    main()
