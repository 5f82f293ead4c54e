#!/usr/bin/env python3
"""Shows that house_rules.py finds what it is for: builds a small tree with one breach of each kind."""

import subprocess
import sys
import tempfile
from pathlib import Path

RULES = Path(__file__).with_name("house_rules.py")

GOOD_HEADER = "// Says what it is for.\n#pragma once\n"
BREACHES = {
    "measure/include/measure/a.hpp": (GOOD_HEADER + '#include "drivers/decoder.hpp"\n', "measure may not include drivers"),
    "measure/b.cpp": ("#include <unistd.h>\n", "measure includes the standard library"),
    "storage/c.cpp": ("#include <spdlog/spdlog.h>\n", "does not serve in storage"),
    "storage/include/storage/d.hpp": (GOOD_HEADER + "#include <SQLiteCpp/SQLiteCpp.h>\n", "in a header that other folders see"),
    "config/e.hpp": ("#pragma once\n", "opens with one sentence"),
    "config/f.hpp": ("// Says what it is for.\n", "no #pragma once"),
    "config/BadName.cpp": ("int x;\n", "snake_case"),
    "drivers/g.cpp": ("// TO" + "DO later\n", "unfinished work"),
    "drivers/h.cpp": ("int x;", "no newline at the end"),
    "drivers/i.cpp": ("int x; \n", "blanks at the end"),
    "drivers/j.cpp": ("int x;\r\n", "carriage return"),
    "drivers/k.cpp": ("void f() { std::cout << 1; }\n", "do not print"),
    "measure/l.cpp": ("auto t = std::chrono::system_clock::now();\n", "clock is handed in"),
    "tests/m.cpp": ("void f() { std::this_thread::sleep_for(s); }\n", "only tests/process waits"),
    "daemon/n.cpp": ("#include <nobody/knows.hpp>\n", "nobody has named"),
}


def run(root):
    return subprocess.run([sys.executable, str(RULES), str(root)], capture_output=True, text=True)


def main():
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        for number in range(20):
            path = root / "tools" / f"good_{number}.cpp"
            path.parent.mkdir(exist_ok=True)
            path.write_text('#include "measure/result.hpp"\n')
        clean = run(root)
        if clean.returncode != 0:
            print("a clean tree was refused:\n" + clean.stdout + clean.stderr)
            return 1
        failed = 0
        for name, (content, expected) in BREACHES.items():
            path = root / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content.encode())
            result = run(root)
            path.unlink()
            if result.returncode != 1 or f"{name}:" not in result.stdout or expected not in result.stdout:
                print(f"not found: {expected} in {name}\n{result.stdout}{result.stderr}")
                failed += 1
        return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
