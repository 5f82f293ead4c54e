#!/usr/bin/env python3
"""Every file that the pages of a folder link is there, packed or not. Usage: links_test.py FOLDER"""

import re
import sys
from pathlib import Path


def main():
    folder = Path(sys.argv[1])
    missing, seen = [], 0
    for page in sorted([*folder.rglob("*.md"), *folder.rglob("*.md.gz")]):
        if page.suffix == ".gz":
            import gzip

            text = gzip.decompress(page.read_bytes()).decode()
        else:
            text = page.read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#:]+)[)#]", text):
            seen += 1
            place = page.parent / target
            # A symbolic link into another package is there once both are installed.
            if not place.exists() and not place.is_symlink() and not Path(f"{place}.gz").exists():
                missing.append(f"{page.relative_to(folder)} links {target}, which is not there")
    print(*missing, sep="\n", end="\n" if missing else "")
    print(f"{seen} links, {len(missing)} of them lead nowhere")
    return 1 if missing or seen < 10 else 0


if __name__ == "__main__":
    sys.exit(main())
