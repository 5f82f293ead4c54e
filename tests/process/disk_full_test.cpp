// A full disk: recording pauses, says so and goes on by itself when there is room.
#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <chrono>

#include "comparison.hpp"
#include "harness.hpp"
#include "tests/small_disk.hpp"

namespace nightwatt::process {
namespace {

constexpr std::chrono::seconds pause{2};               // longer than a batch of readings
constexpr std::chrono::duration<double> at_once{3.0};  // the tool itself would give up after five

void put_store_on_disk(const Bench& bench, const std::string& more = "") {
  std::string config = bench.dir().read("nightwatt.toml");
  config.replace(config.find("night.db"), 8, "disk/night.db");
  bench.dir().write("nightwatt.toml", config + more);
}

TEST_CASE("a full disk pauses the recording, is told, and the recording goes on when there is room") {
  Bench bench(line_profile(), "", 0.2);
  const test::SmallDisk disk(bench.dir().path("disk"), "size=2m");
  if (!disk.mounted()) {
    WARN("SKIPPED: may not mount a small tmpfs here; run as root to see the disk fill up");
    return;
  }
  put_store_on_disk(bench, "[[tell]]\ncommand = [\"/bin/sh\", \"-c\", \"cat >> " + bench.dir().path("told") + "\"]\n");
  bench.start_meter("noise white 0.4\nlevel 25 for 2h\n", 100.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&bench] { return bench.readings() >= 50; }));
  const auto samples = [&bench] { return bench.ask_json({"status"}).at("store").at("samples").get<long>(); };
  disk.fill();
  const bool told = eventually(20.0, [&bench] { return bench.log().find("full") != std::string::npos; });
  INFO(bench.log());
  CHECK(told);
  const long full = samples();
  // A last small batch may still fit: paused for good is what lasts.
  auto since = std::chrono::steady_clock::now();
  CHECK(eventually(15.0, [&] {
    const auto status = bench.ask_json({"status"});
    if (status.at("paused") == false) since = std::chrono::steady_clock::now();
    return std::chrono::steady_clock::now() - since >= pause;
  }));
  const Answer status = bench.ask({"status"});
  CHECK(status.out.find("readings wait in memory") != std::string::npos);
  CHECK(status.out.find("the disk is full") != std::string::npos);
  disk.make_room();
  CHECK(eventually(20.0, [&] { return samples() >= full + 100; }));
  // On another disk, so that it can be told at all.
  const auto count = [&bench](const std::string& event) {
    const std::string text = bench.dir().read("told");
    return text.find("\"event\":\"" + event + "\"") != std::string::npos;
  };
  CHECK(eventually(10.0, [&] { return count("disk_full") && count("disk_room"); }));
  CHECK(bench.stop_service() == 0);
  CHECK(bench.ask_json({"check"}).at("ok") == true);
  CHECK(compare(bench.sent(), bench.stored(), 1.0).problem == "");
  // docs/format.md: 6 is disk_full, 7 is disk_room.
  const auto events =
      run(bench.dir(), "/usr/bin/sqlite3",
          {bench.dir().path("disk/night.db"), "SELECT kind FROM event WHERE kind IN (6, 7) ORDER BY id"});
  CHECK(events.out.rfind("6\n7\n") + 4 == events.out.size());
  // The last pause lasted at least as long as it was watched.
  const auto length =
      run(bench.dir(), "/usr/bin/sqlite3",
          {bench.dir().path("disk/night.db"),
           "SELECT (SELECT max(at_us) FROM event WHERE kind = 7) - (SELECT max(at_us) FROM event WHERE kind = 6)"});
  CHECK(std::chrono::microseconds(std::stoll(length.out)) >= pause);
}

TEST_CASE("a service started on a full disk waits for room, says so, refuses begin at once and then records") {
  Bench bench(line_profile(), "", 0.2);
  const test::SmallDisk disk(bench.dir().path("disk"), "size=2m");
  if (!disk.mounted()) {
    WARN("SKIPPED: may not mount a small tmpfs here; run as root to see the disk fill up");
    return;
  }
  put_store_on_disk(bench);
  disk.fill();
  bench.start_meter("noise white 0.4\nlevel 25 for 2h\n", 100.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 50; }));
  const auto asked = std::chrono::steady_clock::now();
  const Answer refused = bench.ask({"begin", "Gannet board"});
  CHECK(std::chrono::steady_clock::now() - asked < at_once * slowness());
  CHECK(refused.status == 3);
  CHECK(refused.err.find("the disk is full") != std::string::npos);
  disk.make_room();
  CHECK(eventually(20.0, [&] { return bench.log().find("recording goes on") != std::string::npos; }));
  CHECK(bench.ask_json({"begin", "Gannet board"}).at("run") >= 1);
  CHECK(bench.stop_service() == 0);
  CHECK(bench.ask_json({"check"}).at("ok") == true);
  const auto sent = bench.sent();
  const Comparison comparison = compare(sent, bench.stored(), 1.0);
  REQUIRE(comparison.problem == "");
  REQUIRE(comparison.found.size() >= 50);
  CHECK(not_stored(sent, comparison, comparison.found.front()->unix_s, comparison.found.back()->unix_s).empty());
}

}  // namespace
}  // namespace nightwatt::process
