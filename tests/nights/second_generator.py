#!/usr/bin/env python3
"""A second generator of nights: written from the outside contract alone, by another hand and in another language than the grammar
beside it, and played through `nightwatt import` as a user would.

usage: second_generator.py NIGHTWATT [COUNT] [SEED] [SORT]    seeds SEED to SEED + COUNT - 1, the sorts in turns
       second_generator.py NIGHTWATT --show SEED SORT [FILE]  one night: the truth beside the answer; FILE: keep its readings

A figure is wrong when it misses the truth by more than its own uncertainty and by more than max(1.5 %, 0.2 display step, 0.03 W).
"""

import concurrent.futures
import datetime
import json
import math
import os
import random
import subprocess
import sys
import tempfile
from collections import defaultdict


class Part:
    """A stretch of a device's life: `kind` by the contract, power as a function of the time since its begin."""

    def __init__(self, kind, seconds, power, noise=1.0):
        self.kind, self.seconds, self.power, self.noise = kind, seconds, power, noise
        self.begin = 0.0


class Life:
    """What a device does, part after part."""

    def __init__(self, rng):
        self.rng, self.parts = rng, []
        self.noise_share = rng.choice([0.002, 0.005, 0.01, 0.02])
        self.noise_w = rng.choice([0.005, 0.01, 0.03])
        self.memory_s = rng.choice([0, 0, 0, 2, 8])

    def minutes(self, low, high):
        return 60.0 * self.rng.uniform(low, high)

    def level(self, kind, watts, seconds, drift=0.0, settle=0.0, tau=60.0, noise=1.0):
        def power(t):
            return watts * (1 + drift * (t / seconds - 0.5)) + watts * settle * math.exp(-t / tau)

        self.parts.append(Part(kind, seconds, power, noise))

    def idle(self, watts, seconds, **more):
        self.level("idle", watts, seconds, **more)

    def load(self, watts, seconds, **more):
        self.level("load", watts, seconds, **more)

    def standby(self, watts, seconds):
        self.level("standby", watts, seconds, noise=0.3)

    def off(self, seconds):
        self.parts.append(Part("off", seconds, lambda t: 0.0, 0.0))

    def work(self, seconds, low, high):
        """Irregular work, a start-up among it: another power every second or four."""
        cuts, t = [], 0.0
        while t < seconds:
            cuts.append((t, self.rng.uniform(low, high)))
            t += self.rng.uniform(0.8, 4.0)

        def power(t):
            value = cuts[0][1]
            for at, watts in cuts:
                if at > t:
                    break
                value = watts
            return value

        self.parts.append(Part("unsteady", seconds, power))

    def ramp(self, seconds, a, b):
        self.parts.append(Part("ramp", seconds, lambda t: a + (b - a) * t / seconds))

    def charge(self, flat_s, watts, tau, curve_s, rest):
        if flat_s > 0:
            self.parts.append(Part("charging", flat_s, lambda t: rest + watts * (0.97 + 0.03 * t / flat_s)))
        # What is left of the current tells from the level after it until it is within the contract's width of idle.
        told_s = min(curve_s, tau * math.log(watts / max(0.07 * rest, 0.05)))
        self.parts.append(Part("charging", told_s, lambda t: rest + watts * math.exp(-t / tau)))
        if told_s < curve_s:
            self.parts.append(Part("tail", curve_s - told_s, lambda t: rest + watts * math.exp(-(t + told_s) / tau)))


def computer(r):
    """Standby, idle and load of a plausible device; standby under 40 % of idle and small."""
    idle = math.exp(r.uniform(math.log(2.0), math.log(90.0)))
    standby = min(idle * r.uniform(0.02, 0.14), r.uniform(0.3, 3.0))
    load = idle * r.uniform(1.6, 5.0)
    return standby, idle, load


# ---- the sorts


def review_bench(r):
    """What somebody does who measures a device for a table."""
    n = Life(r)
    standby, idle, load = computer(r)
    n.off(n.minutes(0.7, 4))
    n.standby(standby, n.minutes(3, 12))
    n.work(r.uniform(15, 70), idle * 1.1, load * 0.9)
    n.idle(idle, n.minutes(8, 30), settle=r.choice([0, 0.03]), tau=120)
    n.load(load, n.minutes(8, 20), settle=r.choice([0, 0.04]), tau=90)
    n.idle(idle, n.minutes(4, 15))
    n.work(r.uniform(4, 12), standby, idle * 1.2)
    n.standby(standby, n.minutes(3, 12))
    n.off(n.minutes(1, 3))
    return n


def cpu_gpu_both(r):
    """Three loads, back to idle after each."""
    n = Life(r)
    _, idle, load = computer(r)
    if r.random() < 0.6:
        n.off(n.minutes(1, 2))
        n.work(r.uniform(15, 60), idle * 1.15, load)
    n.idle(idle, n.minutes(5, 15))
    steps = sorted(r.uniform(1.35, 2.2) for _ in range(2)) + [r.uniform(2.5, 4)]
    r.shuffle(steps)
    for step in steps:
        n.load(idle * step, n.minutes(3, 12), settle=r.choice([0, 0.02]))
        n.idle(idle, n.minutes(2.5, 8))
    return n


def firmware_menu(r):
    """Waits in its firmware's menu first, which draws more than idle."""
    n = Life(r)
    standby, idle, _ = computer(r)
    n.standby(standby, n.minutes(2, 6))
    n.work(r.uniform(10, 25), idle * 1.2, idle * 2)
    n.load(idle * r.uniform(1.3, 1.9), n.minutes(2.5, 8))
    n.work(r.uniform(12, 40), idle * 1.2, idle * 2.2)
    n.idle(idle, n.minutes(15, 40))
    n.load(idle * 2.6, n.minutes(5, 15))
    n.idle(idle, n.minutes(5, 15))
    return n


def disks_asleep(r):
    """A storage box whose disks stop after a while: the lowest level is idle."""
    n = Life(r)
    low = r.uniform(9, 25)
    spun = low * r.uniform(1.35, 1.9)
    work = spun * r.uniform(1.2, 1.6)
    n.load(spun, n.minutes(5, 15))
    for _ in range(r.randint(2, 4)):
        n.idle(low, n.minutes(10, 40))
        n.work(r.uniform(5, 12), spun * 1.1, spun * 1.7)
        n.load(spun, n.minutes(4, 15))
        if r.random() < 0.7:
            n.load(work, n.minutes(3, 10))
            n.load(spun, n.minutes(4, 12))
    n.idle(low, n.minutes(10, 30))
    return n


def monitor(r):
    """A screen with steps of brightness, then its saver."""
    n = Life(r)
    on, standby = r.uniform(14, 45), r.uniform(0.2, 0.6)
    n.standby(standby, n.minutes(3, 10))
    n.work(r.uniform(5, 9), standby, on * 0.9)
    steps = sorted((r.uniform(1.2, 1.4), r.uniform(1.5, 1.7), r.uniform(1.85, 2.2)), reverse=r.random() < 0.5)
    n.idle(on, n.minutes(5, 12))
    for step in steps:
        n.load(on * step, n.minutes(3, 8))
    n.idle(on, n.minutes(4, 10))
    n.standby(standby, n.minutes(5, 25))
    return n


def notebook_day(r):
    """Charges while it is used, then is full; works; sleeps."""
    n = Life(r)
    idle, standby, charge = r.uniform(3.5, 9), r.uniform(0.3, 0.9), r.uniform(22, 45)
    n.charge(n.minutes(20, 60), charge, n.minutes(8, 18), n.minutes(45, 80), idle)
    n.idle(idle, n.minutes(15, 40))
    n.load(idle * r.uniform(2.5, 5), n.minutes(5, 20))
    n.idle(idle, n.minutes(5, 15))
    n.standby(standby, n.minutes(10, 40))
    return n


def charged_asleep(r):
    """Charges switched off, where rest is standby; on in the morning."""
    n = Life(r)
    idle, standby, charge = r.uniform(4, 9), r.uniform(0.25, 0.8), r.uniform(18, 40)
    n.charge(n.minutes(15, 60), charge, n.minutes(7, 15), n.minutes(45, 80), standby)
    n.standby(standby, n.minutes(20, 60))
    n.work(r.uniform(15, 50), idle * 1.2, idle * 4)
    n.idle(idle, n.minutes(15, 40))
    n.load(idle * r.uniform(2.5, 5), n.minutes(5, 15))
    n.idle(idle, n.minutes(4, 12))
    return n


def fan_lags(r):
    """Fans stay up for a while after each load: 3 to 6 % above idle, which is idle too."""
    n = Life(r)
    _, idle, load = computer(r)
    idle = max(idle, 20)
    load = idle * r.uniform(2, 4)
    n.off(n.minutes(1, 2))
    n.work(r.uniform(20, 60), idle * 1.2, load)
    n.idle(idle, n.minutes(8, 20))
    for _ in range(r.randint(1, 3)):
        n.load(load, n.minutes(6, 15), settle=0.03)
        n.level("near", idle * 1.04, n.minutes(2, 4))
        n.idle(idle, n.minutes(8, 20))
    return n


def sleep_on_timer(r):
    """Falls asleep by itself, is woken by somebody."""
    n = Life(r)
    _, idle, _ = computer(r)
    idle = max(idle, 8)
    standby = r.uniform(0.5, min(3, idle * 0.12))
    n.idle(idle, n.minutes(8, 20))
    for _ in range(r.randint(1, 3)):
        n.standby(standby, n.minutes(8, 50))
        n.work(r.uniform(9, 25), idle * 1.2, idle * 3)
        n.idle(idle, n.minutes(5, 20))
        if r.random() < 0.6:
            n.load(idle * r.uniform(1.7, 4), n.minutes(4, 12))
            n.idle(idle, n.minutes(4, 12))
    return n


def long_render(r):
    """An hour of one load, which comes down after some minutes."""
    n = Life(r)
    _, idle, load = computer(r)
    n.idle(idle, n.minutes(5, 15))
    n.load(load, n.minutes(3, 8))
    n.load(load * r.uniform(0.72, 0.88), n.minutes(40, 90))
    n.idle(idle, n.minutes(8, 20))
    return n


def small_node(r):
    """A sensor's board, its radio on now and then."""
    n = Life(r)
    idle = r.uniform(0.3, 1.8)
    n.noise_w = 0.004
    n.idle(idle, n.minutes(10, 40))
    for _ in range(r.randint(2, 5)):
        n.load(idle * r.uniform(1.6, 3.5), n.minutes(2.5, 6))
        n.idle(idle, n.minutes(4, 12))
    return n


def media_box(r):
    n = Life(r)
    idle, standby = r.uniform(4, 9), r.uniform(0.2, 0.7)
    n.off(n.minutes(1, 2))
    n.work(r.uniform(20, 60), idle * 1.2, idle * 2)
    n.idle(idle, n.minutes(8, 15))
    for _ in range(r.randint(1, 3)):
        n.work(r.uniform(40, 200), idle * 1.15, idle * 2.2)
        n.load(idle * r.uniform(1.3, 1.8), n.minutes(10, 40))
        n.idle(idle, n.minutes(4, 12))
    n.standby(standby, n.minutes(10, 30))
    return n


def slow_ways(r):
    """Loads that come and go by ramps of a minute and more."""
    n = Life(r)
    _, idle, load = computer(r)
    n.idle(idle, n.minutes(8, 20))
    for _ in range(r.randint(1, 2)):
        up, down = r.uniform(60, 240), r.uniform(60, 240)
        n.ramp(up, idle, load)
        n.load(load, n.minutes(8, 20))
        n.ramp(down, load, idle)
        n.idle(idle, n.minutes(8, 20))
    return n


def thermostat(r):
    """A heater in a rack: minutes on, minutes off."""
    n = Life(r)
    idle = r.uniform(3, 12)
    load = idle * r.uniform(2, 3.5)
    for _ in range(r.randint(4, 9)):
        n.idle(idle, n.minutes(3, 6))
        n.load(load, n.minutes(2, 4))
    n.idle(idle, n.minutes(3, 6))
    return n


def begins_under_load(r):
    n = Life(r)
    _, idle, load = computer(r)
    n.load(load, n.minutes(10, 30))
    n.idle(idle, n.minutes(10, 40))
    n.load(load * 0.6 if load * 0.6 > idle * 1.25 else load, n.minutes(4, 10))
    n.idle(idle, n.minutes(5, 12))
    return n


def two_sleeps(r):
    """Sleeps, then hibernates."""
    n = Life(r)
    _, idle, _ = computer(r)
    idle = max(idle, 18)
    deep = r.uniform(0.3, 0.8)
    sleep = deep * r.uniform(2, 3.5)
    n.idle(idle, n.minutes(10, 25))
    n.load(idle * 2.2, n.minutes(5, 12))
    n.idle(idle, n.minutes(5, 12))
    n.standby(sleep, n.minutes(15, 30))
    n.standby(deep, n.minutes(30, 60))
    n.work(r.uniform(20, 60), idle * 1.2, idle * 3)
    n.idle(idle, n.minutes(8, 20))
    return n


def only_rest(r):
    """Nothing happens."""
    n = Life(r)
    n.idle(math.exp(r.uniform(0, 4.5)), n.minutes(60, 180), drift=r.choice([0, 0.005, -0.01]))
    return n


def stepwise_load(r):
    """One core more each time, and back down at once."""
    n = Life(r)
    _, idle, _ = computer(r)
    n.idle(idle, n.minutes(6, 15))
    watts = idle
    for _ in range(r.randint(3, 6)):
        watts *= r.uniform(1.18, 1.5)
        n.load(watts, n.minutes(2.5, 6))
    n.idle(idle, n.minutes(6, 15))
    return n


SORTS = {make.__name__: make for make in (
    review_bench, cpu_gpu_both, firmware_menu, disks_asleep, monitor, notebook_day, charged_asleep, fan_lags, sleep_on_timer, long_render,
    small_node, media_box, slow_ways, thermostat, begins_under_load, two_sleeps, only_rest, stepwise_load)}


# ---- the meter


class Meter:
    def __init__(self, r, life):
        top = max(p.power(p.seconds * 0.5) for p in life.parts)
        low = min([p.power(p.seconds * 0.8) for p in life.parts if p.kind in ("idle", "standby")] or [top])
        self.step = r.choice([s for s in (0.01, 0.1, 0.5, 1.0) if s <= max(low * 0.35, 0.011)])
        shortest = min(p.seconds for p in life.parts if p.kind in ("idle", "load", "standby", "off"))
        self.interval = r.choice([i for i in (0.5, 1, 1, 1, 2, 5, 10) if i * 14 <= shortest])
        self.averages = r.random() < 0.4
        self.told = r.random() < 0.6  # the importer is told the step
        self.jitter = r.choice([0, 0, 0.02, 0.1])
        self.lost = r.choice([0, 0, 0.005])

    def true_power(self, life, k, now, begin):
        part = life.parts[k]
        if not self.averages:
            return part.power(now - part.begin)
        looks, total = 5, 0.0
        for j in range(looks):
            at = max(begin, now - self.interval * (j + 0.5) / looks)
            of = part if at >= part.begin else life.parts[max(0, k - 1)]
            total += of.power(at - of.begin)
        return total / looks


def record(life, meter, r):
    """The meter's readings: (Unix seconds, W as shown)."""
    end = begin = 1735725600.0 + r.uniform(0, 86400)
    for part in life.parts:
        part.begin = end
        end += part.seconds
    rows, k, i, memory = [], 0, 0, 0.0
    phi = math.exp(-meter.interval / life.memory_s) if life.memory_s else 0.0
    now = begin + 0.3
    while now < end:
        while now >= life.parts[k].begin + life.parts[k].seconds:
            k += 1
        watts = meter.true_power(life, k, now, begin)
        sigma = (life.noise_share * watts + life.noise_w) * life.parts[k].noise
        memory = phi * memory + math.sqrt(1 - phi * phi) * r.gauss(0, 1)
        shown = max(0.0, watts + sigma * memory if watts > 0 else 0.0)
        shown = round(shown / meter.step) * meter.step
        i += 1
        if r.random() >= meter.lost:
            rows.append((now + meter.interval * meter.jitter * r.uniform(-0.4, 0.4), shown))
        now = begin + 0.3 + i * meter.interval
    return rows


# ---- the truth


def level_of(part):
    """The mean over the last two thirds."""
    n = 200
    return sum(part.power(part.seconds / 3 + part.seconds * 2 / 3 * (j + 0.5) / n) for j in range(n)) / n


def true_idle(parts):
    """Alone, and with what lies so near that it is of the same state."""
    def mean(some):
        return sum(level_of(p) * p.seconds for p in some) / sum(p.seconds for p in some)

    idles = [p for p in parts if p.kind == "idle"]
    return (mean(idles), mean(idles + [p for p in parts if p.kind == "near"]))


def true_standby(parts):
    standbys = [p for p in parts if p.kind == "standby"]
    if not standbys:
        return None
    best = max({round(level_of(p), 4) for p in standbys},
               key=lambda w: sum(p.seconds for p in standbys if abs(level_of(p) - w) < 0.05 * w))
    return (best, best)


def true_load(parts):
    loads = [p for p in parts if p.kind == "load"]
    if not loads:
        return None
    best = max(level_of(p) for p in [p for p in loads if p.seconds >= 120] or loads)
    return (best, best)


def true_sustained(parts):
    """Where the longest stretch of work ended; "either" where that lasted ten minutes, more or less."""
    best_s, value, length_s, last = 0, None, 0, None
    for part in parts + [Part("off", 0, lambda t: 0)]:
        if part.kind in ("load", "ramp", "unsteady"):
            length_s += part.seconds
            if part.kind == "load":
                last = part
            continue
        if last is not None and length_s > best_s:
            best_s, value = length_s, (level_of(last) if length_s >= 600 else None)
        length_s, last = 0, None
    if abs(best_s - 600) < 30:
        return "either"
    return None if value is None else (value, value)


def truth(life):
    return {"idle": true_idle(life.parts), "standby": true_standby(life.parts), "load": true_load(life.parts),
            "sustained": true_sustained(life.parts)}


# ---- the answer, and how good it is


def call(tool, *words):
    done = subprocess.run([tool, *words], capture_output=True, text=True)
    if done.returncode != 0:
        raise RuntimeError(" ".join(words) + ": " + done.stderr)
    return json.loads(done.stdout)


def play(tool, seed, sort, keep=None):
    r = random.Random(f"{seed} {sort}")
    life = SORTS[sort](r)
    meter = Meter(r, life)
    rows = record(life, meter, r)
    with tempfile.TemporaryDirectory() as folder:
        path, store = keep or os.path.join(folder, "night.csv"), os.path.join(folder, "store.db")
        with open(path, "w", encoding="ascii") as out:
            out.write("time,power_w\n")
            out.writelines(f"{t:.3f},{w:.2f}\n" for t, w in rows)
        told = ["--resolution", str(meter.step)] if meter.told else []
        call(tool, "--store", store, "import", path, "--device", "gull", "--json", *told)
        summary = call(tool, "--store", store, "summary", "last", "--json")
        return life, meter, summary, call(tool, "--store", store, "segments", "last", "--json")["segments"]


def parsed(iso):
    return datetime.datetime.fromisoformat(iso.replace("Z", "+00:00")).timestamp()


KINDS = {"off": "off", "standby": "standby", "idle": "idle", "near": "idle", "load": "plateau", "charging": "charging"}


def judge_kinds(life, meter, segments):
    right, total, wrong = 0.0, 0.0, defaultdict(float)
    margin = max(5.0, 2 * meter.interval)
    for part in life.parts:
        if part.kind not in KINDS:
            continue
        first, last = part.begin + margin, part.begin + part.seconds - margin
        for segment in segments:
            common_s = min(last, parsed(segment["end"])) - max(first, parsed(segment["begin"]))
            if common_s <= 0:
                continue
            total += common_s
            if segment["kind"] == KINDS[part.kind]:
                right += common_s
            else:
                wrong[f"{part.kind}->{segment['kind']}"] += common_s
    return right, total, wrong


def judge_figure(name, want, summary, step):
    """What is wrong with a figure; "~" before what is only wide."""
    got, own = summary[name + "_w"], summary[name + "_uncertainty_w"]
    if want is None:
        return None if got is None else f"{name} {got:.3f} for none"
    if got is None:
        return f"{name} missing for {want[0]:.3f}"
    low, high = min(want), max(want)
    off = max(low - got, got - high, 0.0)
    if off > own and off > max(0.015 * low, 0.2 * step, 0.03):
        return f"{name} {got:.3f} +- {own:.3f} for {want[0]:.3f}"
    if own > max(0.1 * low, 0.6 * step, 0.05):
        return f"~{name} {got:.3f} +- {own:.3f} for {want[0]:.3f} (wide)"
    return None


def judge(life, meter, summary):
    """The faults, and the names of the figures that were judged."""
    wanted = {name: want for name, want in truth(life).items() if want != "either"}
    faults = [judge_figure(name, want, summary, meter.step) for name, want in wanted.items()]
    return [fault for fault in faults if fault], list(wanted)


def show(tool, seed, sort, keep):
    life, meter, summary, segments = play(tool, seed, sort, keep)
    print(f"display {meter.step} W{', told' if meter.told else ''}, a reading each {meter.interval} s{', the mean since the last' if meter.averages else ''}, "
          f"noise {life.noise_share}, remembers {life.memory_s} s")
    begin = life.parts[0].begin
    for part in life.parts:
        print(f"  true  {part.begin - begin:8.1f} {part.kind:9} {part.seconds:7.1f} s {level_of(part):9.3f} W")
    for segment in segments:
        length_s = parsed(segment["end"]) - parsed(segment["begin"])
        print(f"  found {parsed(segment['begin']) - begin:8.1f} {segment['kind']:9} {length_s:7.1f} s", segment["level_w"], segment["uncertainty_w"],
              segment["mean_w"])
    print({key: value for key, value in summary.items() if key.endswith("_w")})
    print(*summary["warnings"], *judge(life, meter, summary)[0], sep="\n")


def judged_night(work):
    tool, seed, sort = work
    life, meter, summary, segments = play(tool, seed, sort)
    faults, names = judge(life, meter, summary)
    return seed, sort, faults, names, judge_kinds(life, meter, segments)


def many(tool, count, seed, sorts):
    by_sort = {sort: [0, 0] for sort in sorts}
    wrong, judged, wide, right_s, total_s = defaultdict(int), defaultdict(int), 0, 0.0, 0.0
    with concurrent.futures.ProcessPoolExecutor() as pool:
        nights = pool.map(judged_night, [(tool, seed + k, sorts[k % len(sorts)]) for k in range(count)])
        for night_seed, sort, faults, names, (right, total, kinds) in nights:
            right_s += right
            total_s += total
            hard = [fault for fault in faults if fault[0] != "~"]
            wide += len(faults) - len(hard)
            by_sort[sort][0] += len(hard)
            by_sort[sort][1] += len(names)
            for name in names:
                judged[name] += 1
            for fault in hard:
                wrong[fault.split()[0]] += 1
            if faults or right < 0.99 * total:
                print(f"  {night_seed} {sort}  {'; '.join(faults)}  kinds {100 * right / total:.1f} %",
                      {what: round(s) for what, s in kinds.items()} if right < 0.99 * total else "")
    for sort, (bad, of) in by_sort.items():
        print(f"{sort:18} {bad} of {of} figures wrong")
    bad, of = wrong["idle"] + wrong["load"], judged["idle"] + judged["load"]
    print(f"idle and load figures wrong or missing: {100 * bad / max(1, of):.2f} % of {of}; "
          f"all figures: {100 * sum(wrong.values()) / max(1, sum(judged.values())):.2f} % of {sum(judged.values())}; {wide} wide")
    print(f"kinds right: {100 * right_s / max(1.0, total_s):.2f} % of the time judged; {count} nights")


def main(words):
    if not words or words[0].startswith("-"):
        sys.exit(__doc__)
    tool, *rest = words
    if rest and rest[0] == "--show":
        show(tool, rest[1], rest[2], rest[3] if len(rest) > 3 else None)
        return
    count = int(rest[0]) if rest else 180
    seed = int(rest[1]) if len(rest) > 1 else 1
    if len(rest) > 2 and rest[2] not in SORTS:
        sys.exit("sorts: " + " ".join(SORTS))
    many(tool, count, seed, [rest[2]] if len(rest) > 2 else list(SORTS))


if __name__ == "__main__":
    main(sys.argv[1:])
