#!/usr/bin/env python3
"""The manual pages: a formatter's opinion of each, and that no command or option is missing. Usage: man_test.py BUILD_FOLDER

The formatter is mandoc or man-db's, whichever is there; 77 (ctest: skipped) with neither.
"""

import re
import shutil
import subprocess
import sys
from pathlib import Path


def warnings_of(page):
    if shutil.which("mandoc"):
        command = ["mandoc", "-T", "lint", "-W", "warning", str(page)]
    elif shutil.which("man"):
        command = ["man", "--warnings", "-E", "UTF-8", "-l", str(page)]
    else:
        return None
    result = subprocess.run(command, capture_output=True, text=True)
    return result.stdout if command[0] == "mandoc" else result.stderr


def help_of(*command):
    return subprocess.run([*command, "--help"], capture_output=True, text=True, check=True).stdout


def missing_from(page, names):
    text = page.read_text(encoding="utf-8").replace("\\-", "-")
    return [name for name in names if not re.search(r"(Fl -|\.Ss |Fl )" + re.escape(name.lstrip("-")) + r"\b", text)]


def main():
    build = Path(sys.argv[1])
    pages = sorted(path for path in (build / "man").iterdir() if path.suffix != ".gz")
    problems = []
    if len(pages) < 6:
        problems.append(f"only {len(pages)} pages")
    judged = True
    for page in pages:
        warnings = warnings_of(page)
        judged = judged and warnings is not None
        if warnings:
            problems.append(f"{page.name}: {warnings}")
    nightwatt = str(build / "bin" / "nightwatt")
    top = help_of(nightwatt)
    commands = re.findall(r"^  ([a-z]+) +\S", top.split("Subcommands:")[1], re.MULTILINE)
    names = set(commands) | set(re.findall(r"--[a-z-]+", top))
    for command in commands:
        names |= set(re.findall(r"^  (?:-\w,)?(--[a-z-]+)", help_of(nightwatt, command), re.MULTILINE))
    names -= {"--help", "--version"}
    for page, wanted in (("nightwatt.1", names),
                         ("nightwatt-sim.1", set(re.findall(r"^  (--[a-z-]+)", help_of(str(build / "bin" / "nightwatt-sim")), re.MULTILINE)) - {"--help", "--version"}),
                         ("nightwattd.8", set(re.findall(r"^  (--[a-z-]+)", help_of(str(build / "bin" / "nightwattd")), re.MULTILINE)))):
        absent = missing_from(build / "man" / page, sorted(wanted))
        if absent:
            problems.append(f"{page} does not tell of {', '.join(absent)}")
    for problem in problems:
        print(problem)
    if problems:
        return 1
    if not judged:
        print("SKIPPED: neither mandoc nor man is here to judge the pages")
        return 77
    return 0


if __name__ == "__main__":
    sys.exit(main())
