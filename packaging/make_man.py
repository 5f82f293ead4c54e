#!/usr/bin/env python3
"""Makes the manual pages. Usage: make_man.py BIN_FOLDER SOURCE_FOLDER OUT_FOLDER [WORD...]

The words are what runs programs of another architecture.

Each SOURCE_FOLDER/NAME.N.in becomes OUT_FOLDER/NAME.N and NAME.N.gz. Where it says @OPTIONS@ or @COMMANDS@, the program's
own --help is put in, so that the page has every command and option there is.
"""

import gzip
import re
import subprocess
import sys
from pathlib import Path

OPTIONS_NOT_REPEATED = ("-h,--help", "--version")
ENTRY = re.compile(r"^  (\S.*?)(?:\s{2,}(\S.*))?$")


def help_of(program, *command):
    result = subprocess.run([*sys.argv[4:], program, *command, "--help"], capture_output=True, text=True, check=True)
    return result.stdout.split("\n")


def entries(lines, section):
    """What stands under a heading of a help text: [left side, description]."""
    found = []
    inside = False
    for line in lines:
        if line == section + ":":
            inside = True
        elif inside and not line.strip():
            break
        elif inside and line.startswith("   "):
            found[-1][1] = (found[-1][1] + " " + line.strip()).strip()
        elif inside:
            left, text = ENTRY.match(line).groups()
            # The left side ends at column 30 at the latest; one blank may be all that parts it from the text.
            found.append([left, text or ""])
    return found


def roff(text):
    text = text.replace("\\", "\\e").replace("-", "\\-").replace("±", "\\(+-")
    return "\\&" + text if text.startswith((".", "'")) else text


def mdoc_option(left):
    """`--at TIME` as mdoc words, without the parser's notes on types and needs."""
    words = left.replace(" REQUIRED", "").split()
    names = words[0].split(",")
    value = re.sub(r":.*| in .*", "", words[1]) if len(words) > 1 else ""
    if value in ("TEXT", "UINT", "INT", "FLOAT"):
        value = {"TEXT": "WORD", "UINT": "N", "INT": "N", "FLOAT": "X"}[value]
    flags = " , ".join("Fl " + name[1:].replace("-", "\\-") for name in names)
    return flags + (" Ar " + roff(value) if value else "")


def option_list(lines):
    out = []
    for left, text in entries(lines, "Options"):
        if left in OPTIONS_NOT_REPEATED:
            continue
        out += [".It " + mdoc_option(left), roff(text[:1].upper() + text[1:]) + "."]
    return [".Bl -tag -width Ds", *out, ".El"] if out else []


def places(lines, command):
    """The words after a command, as `Usage: nightwatt compare [OPTIONS] [RUN...]` has them."""
    usage = next((line for line in lines if line.startswith("Usage: ")), "").split()
    out = []
    for word in usage[usage.index(command) + 1 :]:
        name = word.strip("[].")
        if name in ("OPTIONS", ""):
            continue
        repeated = " ..." if "..." in word else ""
        out.append(f".{'Op Ar' if word.startswith('[') else 'Ar'} {name}{repeated}")
    return out


def command_sections(program):
    out = []
    for name, text in entries(help_of(program), "Subcommands"):
        lines = help_of(program, name)
        options = option_list(lines)
        out += [".Ss " + name, ".Nm", ".Cm " + name, *places(lines, name)]
        out += [".Op Ar option ..."] if options else []
        out += [".Pp", roff(text) + ".", *options]
    return out


def page(source, bin_folder):
    out = []
    program = bin_folder / source.name.split(".")[0]
    for line in source.read_text(encoding="utf-8").split("\n"):
        if line == "@OPTIONS@":
            out += option_list(help_of(program))
        elif line == "@COMMANDS@":
            out += command_sections(program)
        else:
            out.append(line)
    return "\n".join(out)


def main():
    bin_folder, source_folder, out_folder = map(Path, sys.argv[1:4])
    out_folder.mkdir(parents=True, exist_ok=True)
    for source in sorted(source_folder.glob("*.in")):
        text = page(source, bin_folder).encode("utf-8")
        target = out_folder / source.name[: -len(".in")]
        target.write_bytes(text)
        with open(str(target) + ".gz", "wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as packed:
            packed.write(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
