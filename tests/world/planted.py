#!/usr/bin/env python3
"""Plants bugs into the service, one at a time, and counts the nights until the simulated world finds each.

usage: planted.py BUILD_FOLDER [NIGHTS] [NAME...]
       planted.py --places                          only looks whether each can still be planted

A simulation that finds nothing proves nothing. The tree stays as it is: a changed copy of one source file is compiled with
the file's own command and linked in front of the libraries. BUILD_FOLDER is one where bench_world and test_world are built
(build-bench). Nights of 5 minutes and 20 faults, seeds from 1 on; then the moments of `bench_world calls`. What is planted
into a store's upgrade, which no night has, is looked for by the test that cuts upgrades short.
Exit status 1: a bug was not found within NIGHTS nights (300), or its place in the source is no longer there.
"""

import json
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

# name: (file, what stands there, what is put there)
BUGS = {
    "a lost sync": ("storage/schema.cpp", "PRAGMA synchronous = NORMAL;", "PRAGMA synchronous = OFF;"),
    "a batch lost with its transaction": ("daemon/store_pipeline.cpp", "    answer_failed(answers, done.error());", "    answer_failed(answers, done.error()); batch_.clear();"),
    "recorders that run ahead of a failed transaction": ("daemon/store_pipeline.cpp", "    store_->rollback();\n    stale_ = true;", "    store_->rollback();"),
    "a flush ten times too late": ("daemon/service.cpp", "flush_s * 0.8", "flush_s * 8.0"),
    "a leap of the calendar taken as time": ("measure/signal/record_clock.cpp", "  utc_offset_ += moved;", "  anchor_record_ = anchor_record_ + moved;"),
    "a step that no shift tells of": ("daemon/time_keeper.cpp", "no room to note the step\");\n  announce_utc_offset(mono);", "no room to note the step\");"),
    "a calendar put right that waits for the next batch": ("daemon/reading_queue.cpp", "return is_request(item) || std::holds_alternative<QueuedUtcOffset>(item);", "return is_request(item);"),
    "stamps from the calendar": ("daemon/time_keeper.cpp", "  const std::int64_t us = record_.at(mono).us;", "  const std::int64_t us = (clock_.utc() - utc_offset()).us;"),
    "readings a second late": ("daemon/meter_session.cpp", "std::max(at, *last_stamp_ + TimeKeeper::stamp_step)", "std::max(at, *last_stamp_ + 999 * TimeKeeper::stamp_step)"),
    "a reading counted twice": ("daemon/meter_recorder.cpp", "    last_ = reading.time;\n    ++unsaved_readings_;", "    last_ = reading.time;\n    ++unsaved_readings_; if (reading.time.us % 61'000 == 0 && open_) { Reading again = reading; again.time = again.time + Duration{1}; open_->builder.push(again); }"),
    "a small queue that says nothing": ("daemon/reading_queue.cpp", "if (readings_ >= reading_limit_) return false;", "if (readings_ >= 8) return true;"),
    "a second service let in": ("daemon/store_pipeline.cpp", "    lock_.emplace(std::move(*lock));", "    { const auto gone = std::move(*lock); }"),
    "yes before it is stored": ("daemon/store_pipeline.cpp", "  for (Answer& answer : answers) answer.command->put_back();\n  if (trouble()", "  for (Answer& answer : answers) answer.command->answer(answer.result);\n  if (trouble()"),
    "a request obeyed after it was refused": ("daemon/store_pipeline.cpp", "  if (!command->take()) return {};", "  (void)command->take();"),
    "a run that ends one reading late": ("daemon/meter_recorder.cpp", "Quantity::power, open_->begin, next - instant)", "Quantity::power, open_->begin, next)"),
    "a check value nobody looks at": ("drivers/text/line.cpp", "if (sum == *sent) return", "if (sum < 0x10000) return"),
    "a CRC nobody looks at": ("drivers/modbus/frame.cpp", "return crc16_modbus(bytes) == 0;", "return crc16_modbus(bytes) < 0x10000;"),
    "an answer to another question": ("drivers/modbus/debts.cpp", "  return !strangers_ && std::none_of", "  return true || std::none_of"),
    "half of what the port gave": ("daemon/port_link.cpp", "first(static_cast<std::size_t>(got))", "first(std::min<std::size_t>(static_cast<std::size_t>(got), 16))"),
    "a tail row that is not written anew": ("storage/writer.cpp", "  store_row(is_new);\n  if (!end.write_buffer_first_us)", "  if (is_new || open_row->encoder.bytes().size() < 200) store_row(is_new);\n  if (!end.write_buffer_first_us)"),
    "a rollback that leaves the cache": ("storage/writer.cpp", "void StoreWriter::rollback() noexcept {\n  impl_->forget_cached();", "void StoreWriter::rollback() noexcept {"),
    "a resume that forgets the last readings": ("figures/run_recorder.cpp", "const UtcTime from = after(pushed, info.begin);", "const UtcTime from = after(pushed, info.begin) + Duration{pushed ? 5'000'000 : 0};"),
    "a start before the newest reading": ("daemon/time_keeper.cpp", "std::max(by_calendar, outage_gap)", "by_calendar"),
    "a stop that stores nothing": ("daemon/store_rounds.cpp", "    stored_all_ = pipeline_.close(UtcTime{stop_us_});", "    stored_all_ = true;"),
}
UPGRADE_BUGS = {
    "an upgrade that writes its version first": ("storage/schema.cpp", """  database.execute("BEGIN IMMEDIATE");
  // Another process may have been first.
  const std::int64_t version = database.pragma("PRAGMA user_version");""", """  const std::int64_t version = database.pragma("PRAGMA user_version");
  database.execute("PRAGMA user_version = 8");
  database.execute("BEGIN IMMEDIATE");"""),
    "an upgrade's step outside its transaction": ("storage/schema.cpp", "  if (version < 5) renew_sums(database);", """  database.execute("COMMIT");
  if (version < 5) renew_sums(database);
  database.execute("BEGIN IMMEDIATE");"""),
    "an upgrade whose version comes after its commit": ("storage/schema.cpp", """  database.execute("PRAGMA user_version = 8");
  database.execute("COMMIT");""", """  database.execute("COMMIT");
  database.execute("PRAGMA user_version = 8");"""),
}
UPGRADE_TEST = "an upgrade in which the process dies*"


def command_of(build, file):
    for entry in json.loads((build / "compile_commands.json").read_text()):
        if entry["file"] == str(ROOT / file):
            return shlex.split(entry["command"])
    sys.exit(f"planted.py: {build} does not compile {file}")


def link_command(build, program):
    said = subprocess.run(["ninja", "-C", str(build), "-t", "commands", program], check=True, capture_output=True, text=True)
    command = said.stdout.strip().split("\n")[-1]
    return shlex.split(re.sub(r"^: && (.*?) && .*$", r"\1", command))


def changed_object(build, file, old, new, folder):
    text = (ROOT / file).read_text(encoding="utf-8")
    if text.count(old) != 1:
        return None
    source = folder / Path(file).name
    source.write_text(text.replace(old, new), encoding="utf-8")
    command = [word for word in command_of(build, file) if word != "-Werror"]
    target = folder / "changed.o"
    command[command.index("-o") + 1] = str(target)
    command[command.index(str(ROOT / file))] = str(source)
    # What lies beside the file is included by its bare name.
    command[1:1] = ["-w", "-iquote", str((ROOT / file).parent)]
    subprocess.run(command, cwd=build, check=True)
    return target


def linked(build, name, changed, folder):
    program = folder / name
    command = link_command(build, name)
    command[command.index("-o") + 1] = str(program)
    first_object = next(place for place, word in enumerate(command) if word.endswith(".o"))
    command.insert(first_object, str(changed))
    subprocess.run(command, cwd=build, check=True)
    return program


def upgrade_found(build, changed, folder):
    program = linked(build, "test_world", changed, folder)
    said = subprocess.run([program, UPGRADE_TEST], capture_output=True, text=True, timeout=3600).stdout
    if (failed := re.search(r"FAILED:\n\s*(.*?)\n(?:.|\n)*?version := (\d+)(?:.|\n)*?at := (\d+)", said)) is None:
        return None
    return "version", f"{failed[2]}, cut at change {failed[3]}", failed[1]


def nights_until_found(build, changed, nights, folder):
    program = linked(build, "bench_world", changed, folder)
    for words in ([str(nights), "1", "5", "20", "first"], ["calls", "first"]):
        said = subprocess.run([program, *words], capture_output=True, text=True, timeout=3600).stdout
        if found := re.search(r"^found in (night|moment) (\d+): (.*)$", said, re.M):
            return found.groups()
    return None


def places():
    """Each bug can still be planted: what it takes the place of stands in its file, once."""
    gone = [name for name, (file, old, _) in {**BUGS, **UPGRADE_BUGS}.items()
            if not (ROOT / file).exists() or (ROOT / file).read_text(encoding="utf-8").count(old) != 1]
    for name in gone:
        print(f"{name}: its place in the source is gone")
    return 1 if gone else 0


def main():
    if sys.argv[1] == "--places":
        return places()
    build = Path(sys.argv[1]).resolve()
    nights = int(sys.argv[2]) if len(sys.argv) > 2 else 300
    names = sys.argv[3:] or [*BUGS, *UPGRADE_BUGS]
    missed = 0
    for name in names:
        file, old, new = {**BUGS, **UPGRADE_BUGS}[name]
        with tempfile.TemporaryDirectory() as folder:
            changed = changed_object(build, file, old, new, Path(folder))
            if name in BUGS:
                found = changed and nights_until_found(build, changed, nights, Path(folder))
            else:
                found = changed and upgrade_found(build, changed, Path(folder))
        if found:
            print(f"{name}: found in {found[0]} {found[1]}: {found[2]}", flush=True)
            continue
        missed += 1
        print(f"{name}: " + (f"NOT FOUND in {nights} nights" if changed else f"its place in {file} is gone"), flush=True)
    print(f"{len(names) - missed} of {len(names)} planted bugs found")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
