#!/usr/bin/env python3
"""Two rigs, a server and the wire between them, killed and cut at random: at the end the mirror is equal to both stores, row
for row. Usage: chaos.py BIN_FOLDER [SECONDS [SEED]]

Real programs: two services on simulated meters, a PostgreSQL server in a folder, and a relay as the network. 77 (ctest:
skipped) where PostgreSQL or socat is missing. The seed is printed; what runs beside it is not the test's to repeat.
"""

import os
import random
import shutil
import signal
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
            self.process = subprocess.Popen(self.words, stdout=log, stderr=log, stdin=subprocess.DEVNULL, cwd="/", user=self.user)

    def kill(self, how=signal.SIGKILL):
        if self.process:
            self.process.send_signal(how)
            self.process.wait()
            self.process = None


class Bench:
    def __init__(self, bin_folder, folder):
        self.bin, self.folder, self.pg = Path(bin_folder), Path(folder), postgres_programs()
        self.user = "postgres" if os.geteuid() == 0 else None
        self.rigs = {}
        server = self.folder / "server"
        server.mkdir()
        os.chmod(self.folder, 0o755)
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
        self.wire.kill()
        self.server.kill(signal.SIGQUIT)


def same(left, right):
    return len(left) == len(right) and all(abs(float(a[0]) - float(b[0])) < 5e-7 and a[1] == b[1] for a, b in zip(left, right))


def torment(bench, seconds, chance):
    names = list(bench.rigs)
    done = {"rig": 0, "server": 0, "wire": 0}
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        time.sleep(chance.uniform(0.5, 6.0))
        what = chance.choice(["rig", "rig", "server", "wire"])
        done[what] += 1
        if what == "rig":
            service = bench.rigs[chance.choice(names)][2]
            service.kill()
            time.sleep(chance.uniform(0.0, 1.0))
            service.start()
        elif what == "server":
            bench.server.kill()
            bench.start_server()
        else:
            bench.wire.kill()
            subprocess.run(["pkill", "-P", str(os.getpid()), "-f", f"{bench.folder}/wire"], check=False)
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
        limit = time.monotonic() + 150  # a mirror that was long in trouble tries again after a minute
        while time.monotonic() < limit and not all(same(bench.rows_of_store(n), bench.rows_of_mirror(n)) for n in bench.rigs):
            time.sleep(1.0)
        counts = {}
        for name in bench.rigs:
            store, mirror = bench.rows_of_store(name), bench.rows_of_mirror(name)
            counts[name] = len(store)
            if not same(store, mirror) or len(store) < 20 * seconds * 0.2:
                problems.append(f"{name}: {len(store)} readings in the store, {len(mirror)} in the mirror, not the same")
        print(f"seed {seed}, {seconds:g} s: {done} killed; readings {counts}")
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
