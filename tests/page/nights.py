"""Stores with invented nights for the report's tests: the records are made here, by rule, with a known generator."""

import json
import random
import subprocess

HOSTILE = '</script><script>document.title="taken"</script><img src=x onerror=alert(1)>"\'&'
BEGIN = 1767646800  # 2026-01-05T21:00:00Z


class Store:
    def __init__(self, program, folder):
        self.program, self.folder = program, folder

    def call(self, *words, status=0):
        done = subprocess.run([self.program, "--store", str(self.folder / "night.db"), *map(str, words)],
                              capture_output=True, text=True)
        assert done.returncode == status, (words, done.returncode, done.stdout, done.stderr)
        return done

    def json(self, *words):
        return json.loads(self.call(*words, "--json").stdout)

    def night(self, device, idle_w, load_w, seconds=3600, seed=1, begin=BEGIN, gap=False, peak_w=None, more=()):
        """Off, standby, idle, load, idle, off; with `gap`, five minutes missing in the second idle."""
        chance = random.Random(seed)
        path = self.folder / "night.csv"
        with open(path, "w", encoding="utf-8") as out:
            out.write("time,power_w\n")
            for second in range(seconds):
                share = second / seconds
                level = 0 if share < 0.03 or share > 0.97 else 1.2 if share < 0.08 else load_w if 0.4 < share < 0.6 else idle_w
                if gap and 0.7 < share < 0.7 + 300 / seconds:
                    continue
                watts = level + (chance.gauss(0, 0.01 * level) if level else 0)
                if peak_w is not None and second == int(seconds * 0.25):
                    watts = peak_w
                out.write(f"{begin + second},{watts:.1f}\n")
        return self.json("import", path, "--device", device, "--resolution", "0.1", "--accuracy", "1%", *more)["run"]
