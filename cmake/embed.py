#!/usr/bin/env python3
"""Writes files as C++ constants, each with the hash that a content policy names it by. Run by nightwatt_embed.

Usage: embed.py [--inline] FOLDER NAME FILE...; makes FOLDER/NAME.hpp and FOLDER/NAME.cpp.
"""

import base64
import hashlib
import re
import sys
from pathlib import Path


def constant(variable, text):
    """Bytes rather than a literal, which has a length limit."""
    digest = base64.b64encode(hashlib.sha256(text).digest()).decode()
    # As octal escapes in characters: a plain char is signed on one machine and unsigned on another, and both take these.
    numbers = [f"'\\{byte:03o}'" for byte in text]
    lines = [", ".join(numbers[at : at + 32]) for at in range(0, len(numbers), 32)]
    return (
        f"static constexpr char {variable}_bytes[] = {{\n" + ",\n".join(lines or ["0"]) + "};\n"
        f"const std::string_view {variable}({variable}_bytes, {len(text)});\n"
        f'const std::string_view {variable}_hash("sha256-{digest}");\n'
    )


def main():
    words = sys.argv[1:]
    inline = words[0] == "--inline"
    folder, name, *files = words[inline:]
    header, source = "", ""
    for file in map(Path, files):
        variable = re.sub(r"\W", "_", file.name)
        text = file.read_bytes()
        if inline:  # a script or style within a page ends where its closing tag does, whatever it is within
            text = text.strip().replace(b"</", b"<\\/")
        header += f"extern const std::string_view {variable}, {variable}_hash;\n"
        source += constant(variable, text)
    begin, end = "namespace nightwatt::embedded {\n", "}  // namespace nightwatt::embedded\n"
    target = Path(folder) / name
    target.with_suffix(".hpp").write_text(
        f"// The files of {name}, as text.\n#pragma once\n\n#include <string_view>\n\n{begin}{header}{end}")
    target.with_suffix(".cpp").write_text(f'#include "{name}.hpp"\n\n{begin}{source}{end}')


if __name__ == "__main__":
    sys.exit(main())
