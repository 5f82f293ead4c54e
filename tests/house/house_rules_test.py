#!/usr/bin/env python3
"""Shows that house_rules.py finds what it is for: builds a small tree with one breach of each kind."""

import contextlib
import io
import sys
import tempfile
from pathlib import Path

sys.dont_write_bytecode = True
sys.path.insert(0, str(Path(__file__).parent))
import house_rules  # noqa: E402

GOOD_HEADER = "// Says what it is for.\n#pragma once\n"
TWIN = GOOD_HEADER + "namespace nightwatt {\nstruct Twin {\n  int x = 0;\n};\n}  // namespace nightwatt\n"
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
    "tests/data/o.csv": ("1,2\n", "says its origin"),
    "figures/q.cpp": ('#include "daemon/service.hpp"\n', "figures may not include daemon"),
    "figures/r.cpp": ("#include <CLI/CLI.hpp>\n", "does not serve in figures"),
    "storage/s.cpp": ('#include "figures/figures.hpp"\n', "storage may not include figures"),
    "storage/t.cpp": ('#include "measure/segment/kinds.hpp"\n', "storage stores, and reckons nothing: measure/segment/kinds.hpp is for who stands above it"),
    "daemon/x.cpp": ('#include "csv/csv_reader.hpp"\n', "daemon may not include csv"),
    "measure/include/measure/signal/y.hpp": (GOOD_HEADER + '#include "measure/segment/kinds.hpp"\n', "signal may not include segment"),
    "measure/signal/z.cpp": ('#include "run/totals.hpp"\n', "signal may not include run"),
    "measure/aa.cpp": ("double Sureness = 1;\n", "the field says StandardUncertainty"),
    "tests/test_bb.cpp": ("\nTEST_CASE(\"a claim\") {}\n", "called SUBJECT_test.cpp"),
    "measure/segment/kinds.cpp": ("constexpr double a_guess = 0.3;  // of idle\n", "a_guess has no reason"),
    "tests/cc_test.cpp": ("\nTEST_CASE(\"a claim; another\") {}\n", "a test's name holds no semicolon"),
    "docs/p.md": ("See [here](nowhere.md).\n", "no such file: nowhere.md"),
    "daemon/t.cpp": ("void f() { std::thread t; }\n", "a thread outside the Environment"),
    "storage/w.cpp": ('#include "measure/run/run_builder.hpp"\n', "storage stores, and reckons nothing: measure/run/run_builder.hpp"),
    "storage/x.cpp": ('#include "measure/segment/segmenter.hpp"\n', "storage stores, and reckons nothing: measure/segment/segmenter.hpp"),
    "measure/include/measure/uncertainty/regime.hpp": (GOOD_HEADER + '#include "measure/uncertainty/level_budget.hpp"\n', "storage stores, and reckons nothing: measure/uncertainty/level_budget.hpp"),
    "storage/u.cpp": ("auto t = std::chrono::steady_clock::now();\n", "a clock outside the Environment"),
    "tools/v.cpp": ("int f(int x) {\n" + "  x += '{';\n" * 60 + "  return x;\n}\n", "a function of 63 lines"),
    "tools/w.cpp": ("namespace {\nclass C {\n" + "  void f() { g(\"}\"); }\n" * 249 + "};\n}\n", "a class of 251 lines"),
    "drivers/dd.hpp": (TWIN, "Twin is a type of measure/twin.hpp too"),
    "daemon/n.cpp": ("#include <nobody/knows.hpp>\n", "nobody has named"),
}


def run(root):
    """The number of breaches, and what was said of them."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        breaches = house_rules.check(root)
    return breaches, said.getvalue()


def main():
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder).resolve()
        for number in range(20):
            path = root / "tools" / f"good_{number}.cpp"
            path.parent.mkdir(exist_ok=True)
            path.write_text('#include "measure/result.hpp"\n')
        (root / "measure").mkdir()
        (root / "measure" / "twin.hpp").write_text(TWIN)
        breaches, said = run(root)
        if breaches != 0:
            print("a clean tree was refused:\n" + said)
            return 1
        failed = 0
        for name, (content, expected) in BREACHES.items():
            path = root / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content.encode())
            breaches, said = run(root)
            path.unlink()
            if breaches == 0 or f"{name}:" not in said or expected not in said:
                print(f"not found: {expected} in {name}\n{said}")
                failed += 1
        return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
