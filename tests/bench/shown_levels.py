#!/usr/bin/env python3
"""Levels behind displays of many sorts, whose truth is known, through `nightwatt import` and `summary --json`: how many
intervals hold the truth. Written from the formats alone; shares no code with what it checks.

    shown_levels.py NIGHTWATT FIRST_SEED COUNT [--misses]
"""
import json
import math
import os
import random
import subprocess
import sys
import tempfile
from collections import defaultdict

DISPLAYS = ["rounds", "truncates", "hysteresis", "holds", "dithers", "on-change"]
NOISES = ["white", "slow", "mixed"]
STEPS_W = [0.01, 0.1, 0.5, 1.0]
NIGHT_BEGIN = 1767225600  # 2026-01-01


def draw(seed):
    """One level and the readings of it, as CSV."""
    r = random.Random(seed)
    display, noise = DISPLAYS[seed % 6], NOISES[(seed // 6) % 3]
    step = r.choice(STEPS_W)
    sigma = step * math.exp(r.uniform(math.log(0.03), math.log(3.0)))
    level = r.uniform(0.8, 60.0)
    sigma = min(sigma, 0.03 * level)  # what scatters more may rightly be no level
    n = int(math.exp(r.uniform(math.log(900), math.log(5400))))
    tau = math.exp(r.uniform(math.log(2.0), math.log(n / 30.0)))
    slow_share = {"white": 0.0, "slow": 1.0}.get(noise)
    if slow_share is None:
        slow_share = math.sqrt(r.uniform(0.1, 0.8))
    forgets = math.exp(-1.0 / tau)
    slow = r.gauss(0, 1)
    past_edge = r.uniform(0.1, 0.6)
    hold = r.choice([2, 3, 5])
    rows, shown = [], None
    for i in range(n):
        slow = forgets * slow + math.sqrt(1 - forgets * forgets) * r.gauss(0, 1)
        x = (level + sigma * (slow_share * slow + math.sqrt(1 - slow_share * slow_share) * r.gauss(0, 1))) / step
        count = math.floor(x + 0.5)
        if display == "truncates":
            count = math.floor(x)
        elif display == "dithers":
            count = math.floor(x + r.uniform(-0.5, 0.5) + 0.5)
        elif display == "hysteresis" and shown is not None and abs(x - shown) <= 0.5 + past_edge:
            count = shown
        elif display == "holds" and i % hold:
            count = shown
        changed, shown = count != shown, count
        if display != "on-change" or changed or i == n - 1:
            rows.append(f"{NIGHT_BEGIN + i},{count * step:.{2 if step < 0.1 else 1}f}\n")
    return {"seed": seed, "display": display, "noise": noise, "step": step, "sigma": sigma / step, "level": level,
            "csv": "time,power_w\n" + "".join(rows)}


def measure(nightwatt, level, folder):
    """Adds how far the quoted level is off and its uncertainty, where one was quoted."""
    csv, store = os.path.join(folder, "level.csv"), os.path.join(folder, f"{level['seed']}.db")
    with open(csv, "w", encoding="ascii") as file:
        file.write(level["csv"])
    words = ["--truncates" if level["display"] == "truncates" else "--rounds"]
    if level["display"] == "on-change":
        words.append("--on-change")
    subprocess.run([nightwatt, "--store", store, "import", csv, "--device", "bench hut", "--resolution",
                    str(level["step"]), *words], check=True, capture_output=True)
    summary = json.loads(subprocess.run([nightwatt, "--store", store, "--json", "summary", "last"], check=True,
                                        capture_output=True, text=True).stdout)
    for name in os.listdir(folder):
        os.remove(os.path.join(folder, name))
    if summary["idle_w"] is not None:
        level["off"] = summary["idle_w"] - level["level"]
        level["u"] = summary["idle_uncertainty_w"]


def median(values):
    return sorted(values)[len(values) // 2] if values else float("nan")


def main():
    nightwatt, first, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    groups = defaultdict(list)
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + count):
            level = draw(seed)
            measure(nightwatt, level, folder)
            for group in ("all", "display " + level["display"], "noise " + level["noise"], f"step {level['step']} W"):
                groups[group].append(level)
            if "--misses" in sys.argv and not abs(level.get("off", math.inf)) <= level.get("u", 0.0):
                print("missed", {key: value for key, value in level.items() if key != "csv"})
    print(f"{'levels':22} {'drawn':>6} {'quoted':>7} {'held':>5} {'share':>8} {'median U, steps':>16}")
    for name, group in sorted(groups.items()):
        quoted = [level for level in group if "off" in level]
        held = sum(abs(level["off"]) <= level["u"] for level in quoted)
        print(f"{name:22} {len(group):6} {len(quoted):7} {held:5} {100 * held / max(1, len(quoted)):6.1f} % "
              f"{median([level['u'] / level['step'] for level in quoted]):16.3f}")


if __name__ == "__main__":
    main()
