#!/usr/bin/env python3
"""The house rules that a program can check. Usage: house_rules.py ROOT [format]

Prints a line for each breach, `file:line: what`, and exits 1 if there was one. With `format`: whether clang-format agrees;
77 (ctest: skipped) where Debian 12's clang-format is not at hand.
"""

import re
import shutil
import subprocess
import sys
from pathlib import Path

FOLDERS = ("measure", "drivers", "storage", "config", "text", "system", "figures", "mirror", "publish", "daemon", "tools", "tests")

# Who may include whom.
EVERYTHING = set(FOLDERS) - {"tests"}
MAY_INCLUDE = {
    "measure": {"measure"},
    "drivers": {"measure", "drivers"},
    "storage": {"measure", "storage"},
    "config": {"measure", "config"},
    "text": {"measure", "text"},
    "system": {"measure", "system"},
    "figures": {"measure", "storage", "text", "system", "figures", "report"},
    "mirror": {"measure", "storage", "text", "system", "figures", "mirror"},
    "publish": {"measure", "storage", "text", "system", "figures", "publish"},
    "daemon": EVERYTHING - {"tools"} | {"report"},
    "tools": EVERYTHING | {"report", "csv"},
    "tests": EVERYTHING | {"report", "csv", "tests"},
}
# What a folder has inside it with a promise of its own, by the name that stands before its headers.
INNER = {"report", "csv"}

# The rooms of measure, from the ground up: a room includes itself and what stands before it.
ROOMS = ("signal", "uncertainty", "segment", "run", "history")

# All that storage knows of how figures are made: what it keeps of them. To segment, to name kinds, to sum up and to prove is for who
# stands above it; so these headers bring nothing else with them.
KEPT_IN_STORAGE = {
    "measure/uncertainty/regime.hpp", "measure/uncertainty/regime_codec.hpp", "measure/uncertainty/level_sketch.hpp",
    "measure/segment/segment_kind.hpp",
}

# The library within tools that needs no command line, no terminal, no service.
TOOL_LIBRARIES = {"csv": {"measure", "text"}}

# Third-party headers, by how they begin, and the folders they serve; tests may use what they test.
THIRD_PARTY = {
    "tl/expected": set(FOLDERS),
    "boost/math/": {"measure"},
    "boost/crc.hpp": {"drivers", "storage"},
    "boost/multiprecision/": {"measure"},
    "boost/": {"drivers", "daemon", "tools"},
    "libserialport": {"drivers"},
    "spdlog/": {"daemon"},
    "fmt/": {"daemon", "tools"},
    "SQLiteCpp/": {"storage"},
    "sqlite3": {"storage"},
    "zstd": {"storage"},
    "utf8proc.h": {"text"},
    "toml++/": {"config"},
    "CLI/": {"tools"},
    "nlohmann/": {"tools", "daemon"},
    "systemd/": {"daemon"},
    "libpq-fe.h": {"mirror"},
    "mosquitto.h": {"publish"},
    "catch2/": set(),
    "modbus/": set(),
    "modbus.h": set(),
    "sml/": set(),
}
# Slow to compile, or another's business: never in a header that other folders see.
NOT_IN_PUBLIC_HEADERS = ("boost/", "libserialport", "spdlog/", "SQLiteCpp/", "sqlite3", "zstd", "toml++/", "CLI/", "nlohmann/")
SYSTEM = re.compile(r"^(sys|linux|netinet|arpa|asm)/|^[a-z_0-9]+\.h$")
STANDARD = re.compile(r"^[a-z_0-9]+$")

INCLUDE = re.compile(r'^\s*#\s*include\s*([<"])([^>"]+)[>"]')
UNFINISHED = re.compile(r"\b(" + "|".join(("TO" + "DO", "FIX" + "ME", "X" * 3, "HA" + "CK")) + r")\b")
SNAKE = re.compile(r"^[a-z0-9_]+$")

# What must not be written where: (folders, pattern, why).
FORBIDDEN = [
    (("measure", "drivers", "storage", "config", "daemon", "tools"), re.compile(r"\busing namespace std\b"), "names of std are written out"),
    (("measure", "drivers", "storage", "config"), re.compile(r"\bstd::(cout|cerr|clog)\b|\bf?printf\s*\("), "libraries return results, they do not print"),
    (("measure", "config"), re.compile(r"\b(system|steady|high_resolution)_clock::now\b|\bclock_gettime\s*\("), "the clock is handed in"),
    (("tests",), re.compile(r'^TEST_CASE\("[^"]*;'), "a test's name holds no semicolon: CMake would list its halves, and neither is a test"),
    (("tests",), re.compile(r"\bsleep_for\b|\bu?sleep\s*\("), "only tests/process waits, on a condition"),
]

# Words of our own for which the field has one: the field's is written. Comments and texts may use plain English.
FIELD_WORDS = {
    "Sureness": "StandardUncertainty", "k_for": "coverage_factor", "chance_w": "random_w", "shared_w": "systematic_w",
    "freedom": "degrees_of_freedom", "Effort": "Compression", "StoreDesk": "StoreQueries", "Patience": "Timeouts",
    "Teller": "Notifier", "obey": "apply", "squeeze": "compress", "Stretch": "Regime", "figure_recipe": "figure_algorithm_version",
    "StickingDisplay": "DisplayHysteresis", "DisplayStep": "DisplayResolution",
}
OWN_WORD = re.compile(r"\b(" + "|".join(FIELD_WORDS) + r")\b")

# What the service has of the outside comes from its Environment, so that a simulation can stand in for it.
OUTSIDE = [
    (re.compile(r"\b(system|steady|high_resolution)_clock::now\b|\bclock_gettime\s*\(|\bstd::time\s*\("), "a clock"),
    (re.compile(r"\bsteady_timer\b|\bsystem_timer\b|\btimerfd_|\bsleep_for\b"), "a timer"),
    (re.compile(r"\bstd::j?thread\b|\bpthread_create\b|\bstd::async\b"), "a thread"),
    (re.compile(r"\bstd::[io]?fstream\b|(?<![\w>])::open\s*\(|\bfopen\s*\(|\bstream_descriptor\b"), "a file"),
    (re.compile(r"\bio_context\b|\bsignal_set\b|(?<![\w>])::socket\s*\("), "the network"),
    (re.compile(r"\bgetrandom\b|\brandom_device\b"), "random"),
]
# The machine's own environment, and what it is made of. The page, the teller and the control socket are stand-ins in
# the simulation so far: they run on threads and sockets of their own, behind the Environment.
IS_ENVIRONMENT = {
    "daemon/system_environment.cpp", "daemon/machine_clock.cpp", "daemon/system_port.cpp", "daemon/supervisor.cpp",
    "daemon/control_server.cpp", "daemon/control_server.hpp", "daemon/control_client.cpp",
    "daemon/unix_socket.cpp", "daemon/notifier.cpp", "daemon/delivery.hpp", "daemon/hook_command.cpp", "daemon/webhook.cpp",
    "daemon/page/access.cpp", "daemon/page/connection.cpp", "daemon/page/connection.hpp", "daemon/page/server.cpp", "daemon/page/server.hpp",
    "daemon/page/status_page.cpp", "daemon/page/store_queries.cpp", "daemon/page/store_queries.hpp",
}
# The store's files are SQLite's; beside them its lock, the making of the file, and looks at what lies at a path.
STORE_FILES = {"storage/quarantine.cpp", "storage/backup.cpp", "storage/page_image.cpp", "storage/locks.cpp", "storage/schema.cpp", "storage/reader.cpp", "storage/store_files.cpp"}


def code_files(root):
    for folder in FOLDERS:
        for path in sorted((root / folder).rglob("*")):
            if path.suffix in (".cpp", ".hpp"):
                yield folder, path


def text_files(root):
    """Everything of ours a person reads; recorded data stays as it came."""
    for pattern in ("*.md", "*.txt", "*.json", ".ci/*", "cmake/*", "docs/**/*.md", "docs/man/*", "packaging/*.*", "packaging/**/*"):
        yield from sorted(path for path in root.glob(pattern) if path.is_file())
    for folder in FOLDERS:
        for path in sorted((root / folder).rglob("*")):
            if path.is_file() and "data" not in path.relative_to(root).parts and "seeds" not in path.relative_to(root).parts:
                if path.suffix in (".cpp", ".hpp", ".txt", ".cmake", ".md", ".toml", ".py", ".rules", ".in", ".sh") or path.suffix == "":
                    yield path


class Breaches:
    def __init__(self, root):
        self.root = root
        self.count = 0

    def add(self, path, line, what):
        self.count += 1
        print(f"{path.relative_to(self.root)}:{line}: {what}")


def check_tool_library(library, path, number, bracket, name, breaches):
    if library not in TOOL_LIBRARIES:
        return
    owner = name.split("/")[0]
    if bracket == '"' and owner in set(FOLDERS) | INNER and owner not in TOOL_LIBRARIES[library] | {library}:
        breaches.add(path, number, f"tools/{library} may not include {owner}")
    if bracket == "<" and not STANDARD.match(name) and not SYSTEM.match(name):
        breaches.add(path, number, f"tools/{library} uses no third-party library, not <{name}>")


def check_room(path, number, name, breaches):
    """`measure/ROOM/x.hpp`, or `ROOM/x.hpp` within measure."""
    parts = [part for part in path.relative_to(breaches.root).parts if part not in ("measure", "include")]
    wanted = [part for part in name.split("/") if part != "measure"]
    if parts[0] in ROOMS and wanted[0] in ROOMS and ROOMS.index(wanted[0]) > ROOMS.index(parts[0]):
        breaches.add(path, number, f"{parts[0]} may not include {wanted[0]}: that stands above it")


def check_include(folder, path, number, bracket, name, breaches):
    if bracket == '"':
        owner = name.split("/")[0]
        own = (breaches.root / folder / name).exists()  # drivers/text is no business of text
        if owner in set(FOLDERS) | INNER and not own and owner not in MAY_INCLUDE[folder]:
            breaches.add(path, number, f"{folder} may not include {owner}")
        if folder == "measure":
            check_room(path, number, name, breaches)
        stored = folder == "storage" or path.relative_to(breaches.root).as_posix().replace("measure/include/", "") in KEPT_IN_STORAGE
        if stored and re.match("measure/(?!signal/)", name) and name not in KEPT_IN_STORAGE:
            breaches.add(path, number, f"storage stores, and reckons nothing: {name} is for who stands above it")
        return
    for prefix, served in THIRD_PARTY.items():
        if name.startswith(prefix):
            if folder != "tests" and folder not in served:
                breaches.add(path, number, f"<{name}> does not serve in {folder}")
            if "include" in path.parts and prefix in NOT_IN_PUBLIC_HEADERS:
                breaches.add(path, number, f"<{name}> in a header that other folders see")
            return
    if folder == "measure" and not STANDARD.match(name):
        breaches.add(path, number, f"measure includes the standard library and tl::expected only, not <{name}>")
    elif not STANDARD.match(name) and not SYSTEM.match(name):
        breaches.add(path, number, f"<{name}>: a library nobody has named in house_rules.py")


def check_header(path, lines, breaches):
    block = []
    for line in lines:
        if not line.startswith("//"):
            break
        block.append(line[2:].strip())
    opening = " ".join(block)
    if not re.match(r"^[A-Z`\"'].*[.:]", opening):
        breaches.add(path, 1, "a header opens with one sentence on what it is for")
    if not any(line.strip() == "#pragma once" for line in lines[:40]):
        breaches.add(path, 1, "no #pragma once")


def check_code(root, breaches):
    seen = 0
    for folder, path in code_files(root):
        seen += 1
        if not SNAKE.match(path.stem):
            breaches.add(path, 1, "file names are snake_case")
        text = path.read_text(encoding="utf-8")
        lines = text.split("\n")
        if path.suffix == ".hpp":
            check_header(path, lines, breaches)
        elif "\nTEST_CASE(" in text and not path.stem.endswith("_test"):
            breaches.add(path, 1, "a file of test cases is called SUBJECT_test.cpp")
        name = str(path.relative_to(root))
        if folder != "tests":
            check_lengths(path, text, breaches)
        outside = folder == "daemon" and name not in IS_ENVIRONMENT or folder == "storage" and name not in STORE_FILES
        library = path.relative_to(root).parts[1] if folder == "tools" else ""
        in_process_tests = folder == "tests" and "process" in path.relative_to(root).parts
        for number, line in enumerate(lines, 1):
            include = INCLUDE.match(line)
            if include:
                check_include(folder, path, number, include.group(1), include.group(2), breaches)
                check_tool_library(library, path, number, include.group(1), include.group(2), breaches)
            for word in OWN_WORD.findall(QUIET.sub("", line)):
                breaches.add(path, number, f"{word}: the field says {FIELD_WORDS[word]}")
            for pattern, what in OUTSIDE if outside else ():
                if pattern.search(line.split("//")[0]):
                    breaches.add(path, number, f"{what} outside the Environment: see daemon/environment.hpp")
            for folders, pattern, why in FORBIDDEN:
                if folder in folders and not in_process_tests and pattern.search(line):
                    breaches.add(path, number, why)
    if seen < 20:
        breaches.add(root, 0, f"only {seen} source files found: is this the tree?")


TYPE = re.compile(r"^(?:struct|class|enum class) (\w+)(?: final)?(?: : [^;{]*)?\s*\{", re.M)
NAMESPACE = re.compile(r"^namespace ([\w:]+) \{", re.M)


def check_types(root, breaches):
    """Two types of one name and namespace are one to the linker: which of their functions a program gets is chance."""
    first = {}
    for folder, path in code_files(root):
        text = path.read_text(encoding="utf-8")
        space = NAMESPACE.search(text)
        if folder == "tests" or path.suffix != ".hpp" or not space:
            continue
        for found in TYPE.finditer(text):
            other = first.setdefault((space.group(1), found.group(1)), path)
            if other != path:
                breaches.add(path, text.count("\n", 0, found.start()) + 1, f"{found.group(1)} is a type of {other.relative_to(root)} too")


# Strings, characters and comments: a brace in them opens nothing. Their lines are kept.
QUIET = re.compile(r'//[^\n]*|/\*.*?\*/|R"(\w*)\(.*?\)\1"|"(?:\\.|[^"\\\n])*"|(?<![0-9a-fA-F])\'(?:\\.|[^\'\\\n])*\'', re.S)
LONGEST_FUNCTION = 60  # a screen
LONGEST_CLASS = 250    # its declaration, with what is defined in it


def blocks(text):
    """Each function and class of a file: (kind, first line, lines)."""
    text = QUIET.sub(lambda found: "\n" * found.group(0).count("\n"), text)
    text = re.sub(r"^[ \t]*#[^\n]*(\\\n[^\n]*)*", lambda found: "\n" * found.group(0).count("\n"), text, flags=re.M)
    open_blocks, statement, begun, line = [], "", 1, 1
    for sign in text:
        if sign == "{":
            inside = open_blocks[-1][0] if open_blocks else "namespace"
            head = re.sub(r"^\s*(template\s*<[^;{]*?>\s*(?=\w))?", "", statement)
            kind = "other"
            if inside in ("namespace", "class"):
                if re.match(r"(inline\s+)?namespace\b|extern\b\s*$", head):
                    kind = "namespace"
                elif re.match(r"(class|struct|union)\b", head) and "(" not in head:
                    kind = "class"
                elif ")" in head and "=" not in head.split("(")[0]:
                    kind = "function"
            open_blocks.append((kind, begun))
            statement = ""
        elif sign == "}":
            if open_blocks:
                kind, first = open_blocks.pop()
                if kind in ("function", "class"):
                    yield kind, first, line - first + 1
            statement = ""
        elif sign == ";":
            statement = ""
        else:
            if not statement.strip() and not sign.isspace():
                begun = line
            statement += sign
        line += sign == "\n"


def check_lengths(path, text, breaches):
    for kind, first, lines in blocks(text):
        longest = LONGEST_FUNCTION if kind == "function" else LONGEST_CLASS
        if lines > longest:
            breaches.add(path, first, f"a {kind} of {lines} lines; {longest} are the most: give its parts names")


def check_text(root, breaches):
    for path in text_files(root):
        content = path.read_bytes()
        if not content:
            continue
        if not content.endswith(b"\n"):
            breaches.add(path, content.count(b"\n") + 1, "no newline at the end")
        for number, line in enumerate(content.split(b"\n"), 1):
            if b"\r" in line:
                breaches.add(path, number, "carriage return")
            if line.endswith((b" ", b"\t")) and path.suffix != ".md":
                breaches.add(path, number, "blanks at the end of the line")
            if UNFINISHED.search(line.decode("utf-8", "replace")):
                breaches.add(path, number, "unfinished work is an issue, not a comment")


def says_its_origin(path, root):
    """In its own first lines, or by name in a page beside or above it."""
    if b"origin" in path.read_bytes()[:2000].lower():
        return True
    folder = path.parent
    while folder != root / "tests":
        for page in [*folder.glob("*.md"), *folder.glob("*.txt")]:
            if path.name in page.read_text(encoding="utf-8"):
                return True
        folder = folder.parent
    return False


def check_data(root, breaches):
    recorded = [path for path in (root / "tests" / "data").rglob("*") if path.is_file() and path.suffix != ".md"]
    recorded += (root / "tests").rglob("*.stream")
    for path in sorted(recorded):
        if not says_its_origin(path, root):
            breaches.add(path, 1, "recorded data says its origin and licence, in itself or in a page beside it")


def check_links(root, breaches):
    for path in [*root.glob("*.md"), *(root / "docs").rglob("*.md")]:
        for number, line in enumerate(path.read_text(encoding="utf-8").split("\n"), 1):
            for target in re.findall(r"\]\(([^)#:]+)[)#]", line):
                if not (path.parent / target).exists():
                    breaches.add(path, number, f"no such file: {target}")


# Constants that decide what a night is: each stands in a table with its reason.
CONSTANTS_OF = ["measure/segment", "measure/include/measure/segment"]
CONSTANTS_PAGE = "docs/measuring.md"
NO_CHOICE = {"infinity", "model_count", "steady_models", "golden", "kind_names", "segment_kind_count", "all_segment_kinds", "state_version", "none", "table", "k2", "upper_quartile"}


def check_constants(root, breaches):
    page = root / CONSTANTS_PAGE
    told = set(re.findall(r"`(\w+)`", page.read_text(encoding="utf-8"))) if page.exists() else set()
    paths = [path for folder in CONSTANTS_OF for path in sorted((root / folder).glob("*.[ch]pp"))]
    for path in paths:
        for number, line in enumerate(path.read_text(encoding="utf-8").split("\n"), 1):
            if not re.match(r"(  static )?constexpr ", line):
                continue
            for constant in re.findall(r"(\w+) =(?:\s|$)", line.split("//")[0]):
                if constant not in told | NO_CHOICE:
                    breaches.add(path, number, f"{constant} has no reason in {CONSTANTS_PAGE}")


def check_format(root):
    tool = shutil.which("clang-format-14") or shutil.which("clang-format")
    if tool is None:
        print("SKIPPED: no clang-format here; tools/dev format installs it")
        return 77
    version = subprocess.run([tool, "--version"], capture_output=True, text=True, check=True).stdout
    if " 14." not in version:
        print(f"SKIPPED: the style is fixed by clang-format 14, this is {version.strip()}")
        return 77
    files = [str(path) for _, path in code_files(root)]
    result = subprocess.run([tool, "--dry-run", "--Werror", *files], capture_output=True, text=True)
    differing = sorted({line.split(":")[0] for line in result.stderr.splitlines() if "error:" in line})
    for name in differing:
        print(f"{Path(name).relative_to(root)}: not as clang-format writes it; tools/dev format")
    return 1 if differing or result.returncode != 0 else 0


def check(root):
    """Prints the breaches and gives their number."""
    breaches = Breaches(root)
    check_code(root, breaches)
    check_types(root, breaches)
    check_text(root, breaches)
    check_data(root, breaches)
    check_links(root, breaches)
    check_constants(root, breaches)
    return breaches.count


def main():
    root = Path(sys.argv[1]).resolve()
    if sys.argv[2:] == ["format"]:
        return check_format(root)
    count = check(root)
    print(f"{count} breaches of the house rules")
    return 1 if count else 0


if __name__ == "__main__":
    sys.exit(main())
