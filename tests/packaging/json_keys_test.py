#!/usr/bin/env python3
"""Every key that a command's JSON may have is described in nightwatt-json(5). Usage: json_keys_test.py ROOT

The keys are those that the sources write; a name for which a unit is put together there is looked for with its unit.
"""

import re
import sys
from pathlib import Path

FOLDERS = ("tools/query", "figures")
KEY = re.compile(r'\.?\b(?:field|key)\("([A-Za-z_]+)"')
FIGURE = re.compile(r'write_figure\(json, "([a-z_]+)"')


def keys_written(root):
    keys = {}
    for folder in FOLDERS:
        for path in sorted((root / folder).glob("*.cpp")):
            text = path.read_text(encoding="utf-8")
            for key in KEY.findall(text):
                keys.setdefault(key, path)
            for name in FIGURE.findall(text):
                keys.setdefault(name + "_w", path)
    return keys


def keys_described(root):
    described = set()
    for line in (root / "docs/man/nightwatt-json.5.in").read_text(encoding="utf-8").splitlines():
        if ".Ic " in line or "It Ic" in line:
            described.update(re.findall(r"[A-Za-z_]+", line))
    return described


def main():
    root = Path(sys.argv[1])
    written, described = keys_written(root), keys_described(root)
    missing = sorted(key for key in written if key not in described)
    for key in missing:
        print(f"{key}, written in {written[key].relative_to(root)}, is not in nightwatt-json(5)")
    if len(written) < 100:
        missing.append("")
        print(f"only {len(written)} keys were found in the sources; is this test out of date?")
    print(f"{len(written)} keys, {len(missing)} missing")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
