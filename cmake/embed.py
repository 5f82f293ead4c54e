#!/usr/bin/env python3
"""Writes a file's bytes as a C++ constant, with the hash that a content policy names it by. Usage: embed.py NAME FILE OUT.cpp"""

import base64
import hashlib
import sys
from pathlib import Path


def main():
    name, source, target = sys.argv[1:]
    # A script or style ends where its closing tag does, whatever it is within.
    text = Path(source).read_bytes().strip().replace(b"</", b"<\\/")
    digest = base64.b64encode(hashlib.sha256(text).digest()).decode()
    numbers = [str(byte if byte < 128 else byte - 256) for byte in text]
    lines = [", ".join(numbers[at : at + 32]) for at in range(0, len(numbers), 32)]
    Path(target).write_text(
        "#include <string_view>\n"
        "namespace nightwatt::bundle {\n"
        "namespace {\nconstexpr char bytes[] = {\n" + ",\n".join(lines) + "};\n}\n"
        f"extern const std::string_view {name};\nextern const std::string_view {name}_hash;\n"
        f"const std::string_view {name}(bytes, sizeof bytes);\n"
        f'const std::string_view {name}_hash("sha256-{digest}");\n'
        "}  // namespace nightwatt::bundle\n"
    )


if __name__ == "__main__":
    sys.exit(main())
