#!/usr/bin/env python3
"""Two rigs, a server, its disk and the wire between them, killed, filled and cut at random: at the end the mirror is equal to
both stores, row for row: readings, runs, segments, marks and events. Usage: chaos.py BIN_FOLDER [SECONDS [SEED]]

Real programs: two services on simulated meters, a PostgreSQL server in a folder (as root on a small disk of its own, which is
filled up now and then), and a relay as the network. 77 (ctest: skipped) where PostgreSQL or socat is missing. The seed is printed; what runs beside it is not the test's to repeat.
"""

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PROFILE = """protocol = "text-line"
line = { baud = 115200 }
interval_s = 1.0
[text-line]
form = "csv"
[[read]]
quantity = "power"
field = 1
resolution = 0.01
"""
DISK_MB = 400  # the cluster, its log and an hour's readings take half of it
NIGHT = "level 0 for 100\nlevel 2 for 400\nlevel 7.5 for 300\nlevel 2 for 300\nlevel 0 for 400\n"
SCRIPT = "noise white 0.2\n" + 100 * NIGHT


def postgres_programs():
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
    return found[-1].parent if found else None


class Child:
    """A program that can be killed and begun again."""

    def __init__(self, words, log, user=None):
        self.words, self.log, self.user, self.process = words, log, user, None

    def start(self):
        with open(self.log, "ab") as log:
            self.process = subprocess.Popen(self.words, stdout=log, stderr=log, stdin=subprocess.DEVNULL, cwd="/", user=self.user,
                                            start_new_session=True)

    def kill(self, how=signal.SIGKILL):
        if self.process:
            self.process.send_signal(how)
            self.process.wait()
            self.process = None

    def kill_all(self):
        """With the children that it forked."""
        if self.process:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
            self.process = None


class Bench:
    def __init__(self, bin_folder, folder):
        self.bin, self.folder, self.pg = Path(bin_folder).resolve(), Path(folder), postgres_programs()
        self.user = "postgres" if os.geteuid() == 0 else None
        self.rigs = {}
        server = self.folder / "server"
        server.mkdir()
        os.chmod(self.folder, 0o755)
        self.small_disk = os.geteuid() == 0 and subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "nightwatt-chaos", server], check=False).returncode == 0
        if self.user:
            shutil.chown(server, self.user)
        subprocess.run([self.pg / "initdb", "--no-sync", "-A", "trust", "-U", "postgres", "-D", server / "data"], check=True,
                       stdout=subprocess.DEVNULL, cwd="/", user=self.user)
        self.server = Child([self.pg / "postgres", "-D", server / "data", "-k", server, "-c", "listen_addresses=", "-c", "fsync=off"],
                            self.folder / "server.log", self.user)
        self.start_server()
        self.sql("CREATE DATABASE rigs", "postgres")
        wire = self.folder / "wire"
        wire.mkdir()
        self.wire = Child(["socat", f"UNIX-LISTEN:{wire}/.s.PGSQL.5432,fork,unlink-early", f"UNIX-CONNECT:{server}/.s.PGSQL.5432"],
                          self.folder / "wire.log")
        self.wire.start()

    def start_server(self):
        # A killed server's children go by themselves, and its lock with them.
        limit = time.monotonic() + 60
        while time.monotonic() < limit:
            self.server.start()
            ready = time.monotonic() + 10
            while time.monotonic() < ready and self.server.process.poll() is None:
                if subprocess.run([self.pg / "pg_isready", "-q", "-h", self.folder / "server"]).returncode == 0:
                    return
                time.sleep(0.1)
            self.server.kill()
        raise SystemExit("the server does not start")

    def sql(self, text, database="rigs"):
        result = subprocess.run(["psql", "-X", "-q", "-A", "-t", "-h", self.folder / "server", "-U", "postgres", "-d", database, "-c", text],
                                capture_output=True, text=True)
        return result.stdout

    def add_rig(self, name):
        folder = self.folder / name
        folder.mkdir()
        (folder / "meter.toml").write_text(PROFILE)
        (folder / "night.sim").write_text(SCRIPT)
        (folder / "nightwatt.toml").write_text(
            f'[store]\npath = "rig.db"\nflush_s = 0.2\n[control]\nsocket = "s"\n'
            f'[mirror]\ndatabase = "host={self.folder}/wire dbname=rigs user=postgres"\nrig = "{name}"\n'
            f'[[meter]]\nname = "bench"\nport = "{folder}/port"\nprofile = "meter.toml"\nauto_end_s = 60\nshortest_segment_s = 2\n')
        meter = Child([self.bin / "nightwatt-sim", "--profile", folder / "meter.toml", "--script", folder / "night.sim", "--link",
                       folder / "port", "--speed", "40", "--seed", str(len(self.rigs))], folder / "sim.log")
        meter.start()
        service = Child([self.bin / "nightwattd", "--config", folder / "nightwatt.toml", "--foreground"], folder / "log")
        service.start()
        self.rigs[name] = (folder, meter, service)

    def ask(self, name, *words):
        return subprocess.run([self.bin / "nightwatt", "--config", self.rigs[name][0] / "nightwatt.toml", *words],
                              capture_output=True, text=True).stdout

    def fill_disk(self, seconds):
        filler = self.folder / "server" / "filler"
        with open(filler, "wb") as file:
            try:
                while True:
                    file.write(bytes(1 << 20))
                    file.flush()
            except OSError:
                pass
        time.sleep(seconds)
        filler.unlink()
        # Where its own log had no room the server ends; whoever looks after it starts it again.
        if self.server.process.poll() is not None:
            self.server.process = None
            self.start_server()

    def end_run(self, name):
        self.ask(name, "end")

    def runs_of_store(self, name):
        """What the tool says of each run, and the rows of marks and events."""
        runs = {}
        for run in json.loads(self.ask(name, "--json", "runs"))["runs"]:
            summary = json.loads(self.ask(name, "--json", "summary", str(run["run"])))
            segments = json.loads(self.ask(name, "--json", "segments", str(run["run"])))["segments"]
            runs[run["run"]] = (summary, [[s["kind"], s["samples"], s["level_w"], s["uncertainty_w"], s["energy_wh"]] for s in segments])
        store = sqlite3.connect(f"file:{self.rigs[name][0]}/rig.db?mode=ro", uri=True)
        marks = [list(row) for row in store.execute("SELECT id, text FROM mark ORDER BY id")]
        events = [list(row) for row in store.execute("SELECT id, detail FROM event ORDER BY id")]
        store.close()
        return runs, marks, events

    def runs_of_mirror(self, name):
        of_rig = f"FROM nightwatt.%s AS x JOIN nightwatt.rig ON rig.id = x.rig WHERE rig.name = '{name}'"

        def rows(what, table, order):
            text = self.sql(f"SELECT json_agg(json_build_array({what}) ORDER BY {order}) {of_rig % table}").strip()
            return json.loads(text) if text else []

        runs = {run: (summary, []) for run, summary in rows("run, summary", "run", "run")}
        for run, *segment in rows("run, kind, samples, level_w, uncertainty_w, energy_wh", "segment", "run, place"):
            runs[run][1].append(segment)
        return runs, rows("mark, text", "mark", "mark"), rows("event, detail", "event", "event")

    def rows_of_store(self, name):
        lines = self.ask(name, "export", "--meter", "bench", "--from", "0", "--to", "4102444800", "--format", "csv").splitlines()[1:]
        return [line.split(",")[:2] for line in lines]

    def rows_of_mirror(self, name):
        text = self.sql("SELECT extract(epoch FROM at)::text || ',' || power_w FROM nightwatt.reading JOIN nightwatt.rig ON rig.id = "
                        f"reading.rig WHERE rig.name = '{name}' ORDER BY at")
        return [line.split(",") for line in text.splitlines()]

    def stop(self):
        for _, meter, service in self.rigs.values():
            meter.kill()
            service.kill()
        self.wire.kill_all()
        self.server.kill(signal.SIGQUIT)
        if self.small_disk:
            subprocess.run(["umount", "-l", self.folder / "server"], check=False)


def same(left, right):
    return len(left) == len(right) and all(abs(float(a[0]) - float(b[0])) < 5e-7 and a[1] == b[1] for a, b in zip(left, right))


def torment(bench, seconds, chance):
    names = list(bench.rigs)
    done = {"rig": 0, "server": 0, "wire": 0, "disk": 0, "mark": 0}
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        time.sleep(chance.uniform(0.5, 6.0))
        what = chance.choice(["rig", "rig", "server", "wire", "mark"] + (["disk"] if bench.small_disk else []))
        done[what] += 1
        if what == "rig":
            service = bench.rigs[chance.choice(names)][2]
            service.kill()
            time.sleep(chance.uniform(0.0, 1.0))
            service.start()
        elif what == "server":
            bench.server.kill()
            bench.start_server()
        elif what == "disk":
            bench.fill_disk(chance.uniform(1.0, 5.0))
        elif what == "mark":
            bench.ask(chance.choice(names), "mark", f"note {done['mark']}")
        else:
            bench.wire.kill_all()
            time.sleep(chance.uniform(0.0, 4.0))
            bench.wire.start()
    return done


def main():
    if postgres_programs() is None or shutil.which("socat") is None:
        print("SKIPPED: no PostgreSQL server or no socat here")
        return 77
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 30.0
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else random.randrange(1 << 32)
    folder = tempfile.mkdtemp(prefix="nightwatt-chaos-")
    bench = Bench(sys.argv[1], folder)
    problems = []
    try:
        for name in ("north", "south"):
            bench.add_rig(name)
        time.sleep(3)
        done = torment(bench, seconds, random.Random(seed))
        for _, meter, _ in bench.rigs.values():
            meter.kill()
        for name in bench.rigs:
            bench.end_run(name)
        limit = time.monotonic() + 150  # a mirror that was long in trouble tries again after a minute
        while time.monotonic() < limit and not all(
                same(bench.rows_of_store(n), bench.rows_of_mirror(n)) and bench.runs_of_store(n) == bench.runs_of_mirror(n)
                for n in bench.rigs):
            time.sleep(1.0)
        counts = {}
        for name in bench.rigs:
            store, mirror = bench.rows_of_store(name), bench.rows_of_mirror(name)
            if not same(store, mirror) or len(store) < 20 * seconds * 0.2:
                problems.append(f"{name}: {len(store)} readings in the store, {len(mirror)} in the mirror, not the same")
            ours, theirs = bench.runs_of_store(name), bench.runs_of_mirror(name)
            if ours != theirs:
                problems.append(f"{name}: runs, segments, marks or events are not the same\n  {ours}\n  {theirs}")
            runs, marks, events = ours
            counts[name] = (f"{len(store)} readings, {len(runs)} runs, {sum(len(r[1]) for r in runs.values())} segments, "
                            f"{len(marks)} marks, {len(events)} events")
        print(f"seed {seed}, {seconds:g} s: {done}; {'NOT equal' if problems else 'equal'}: {counts}")
    finally:
        bench.stop()
        if problems:
            print("kept:", folder)
        else:
            shutil.rmtree(folder, ignore_errors=True)
    print(*problems, sep="\n", end="\n" if problems else "")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
