// The service with a simulated meter, from the first reading to the figures, and what it does when things change.
#include <catch2/catch.hpp>
#include <csignal>
#include <filesystem>
#include <fstream>
#include <string>

#include "comparison.hpp"
#include "harness.hpp"

namespace nightwatt::process {
namespace {

constexpr double late_limit_s = 1.0;  // a loaded machine; a stamp that is taken at the wrong place is off by more

// Power, voltage and counter; the counter's fine step makes every frame unlike every other.
constexpr const char* steady_script = "voltage 229.8 noise 0.3\nnoise white 0.4\nenergy 12.5\nlevel 25 for 20min\n";

constexpr double most_resident_mb = 16.0;  // on a board of 512 MB

/// proc(5): what the process has in memory, programs and libraries that it shares included.
double resident_mb(pid_t process) {
  std::ifstream status("/proc/" + std::to_string(process) + "/status");
  for (std::string line; std::getline(status, line);)
    if (line.starts_with("VmRSS:")) return std::stod(line.substr(6)) / 1024.0;
  return 0.0;
}

TEST_CASE("a simulated Modbus meter is recorded, named, marked, and every stored reading is one it sent") {
  Bench bench(modbus_profile(0.05), "shortest_segment_s = 1");
  bench.start_meter(steady_script, 20.0);
  bench.start_service();
  const auto begun =
      bench.ask_json({"begin", "Puffin mini", "--note", "a night at Skerry Point", "--set", "supply_v=230"});
  CHECK(begun.at("run").get<int>() >= 1);
  REQUIRE(eventually(15.0, [&bench] { return bench.readings() >= 60; }));
  CHECK(bench.ask({"begin", "Skua tower"}).status == 1);  // over an open hand-opened run
  CHECK(bench.ask({"mark", "lid closed"}).status == 0);
  const auto live = bench.ask_json({"status"});
  CHECK(live.at("service") == "running");
  CHECK(live.at("meters").at(0).at("name") == "bench");
  CHECK(bench.ask_json({"summary", "last"}).at("open") == true);
  const double resident = resident_mb(bench.service().pid());
  CHECK(resident > 1.0);
  if (slowness() == 1.0) CHECK(resident < most_resident_mb);  // a sanitizer's own memory is not the service's
  CHECK(bench.ask({"end"}).status == 0);
  CHECK(bench.stop_service() == 0);

  const auto runs = bench.ask_json({"runs"}).at("runs");
  REQUIRE(runs.size() == 1);
  CHECK(runs.at(0).at("device") == "Puffin mini");
  CHECK(runs.at(0).at("open") == false);
  const auto summary = bench.ask_json({"summary", "last"});
  CHECK(summary.at("idle_w").get<double>() == Approx(25.0).margin(0.5));
  CHECK(bench.ask_json({"check"}).at("ok") == true);
  CHECK(bench.integrity() == "ok");
  const auto sent = bench.sent();
  const auto stored = bench.stored();
  CHECK(stored.size() >= 60);
  CHECK(compare(sent, stored, late_limit_s).problem == "");
}

TEST_CASE("queries work while the service is down") {
  Bench bench(line_profile(), "shortest_segment_s = 1");
  bench.start_meter(steady_script, 30.0);
  bench.start_service();
  REQUIRE(eventually(15.0, [&bench] { return bench.readings() >= 60; }));
  REQUIRE(bench.stop_service() == 0);
  CHECK(bench.ask_json({"status"}).at("service") == "down");
  for (const std::vector<std::string>& query :
       {std::vector<std::string>{"runs"}, {"segments", "last"}, {"summary", "last"}, {"trace", "last"}, {"check"}}) {
    const Answer answer = bench.ask(query);
    CAPTURE(query[0], answer.err);
    CHECK(answer.status == 0);
    CHECK_FALSE(answer.out.empty());
  }
  CHECK(bench.ask({"begin", "Puffin mini"}).status == 3);
  CHECK(bench.ask({"summary", "99"}).status == 1);
}

TEST_CASE("SIGINT ends the service as SIGTERM does, with all readings stored") {
  Bench bench(line_profile(), "", 30.0);  // nothing would be flushed by itself in time
  bench.start_meter(steady_script, 30.0);
  bench.start_service();
  REQUIRE(eventually(15.0, [&bench] { return bench.readings() >= 30; }));
  bench.service().signal(SIGINT);
  REQUIRE(bench.service().wait(2.0) == 0);
  CHECK(bench.stored().size() >= 30);
}

TEST_CASE("SIGHUP takes a good config and refuses a bad one") {
  Bench bench(line_profile());
  bench.start_meter(steady_script, 30.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&bench] { return bench.readings() >= 5; }));
  const std::string good = bench.dir().read("nightwatt.toml");
  bench.dir().write("nightwatt.toml", good + "\nnonsense = 1\n");
  bench.service().signal(SIGHUP);
  CHECK(eventually(5.0, [&bench] { return bench.log().find("nonsense") != std::string::npos; }));
  bench.dir().write("nightwatt.toml", good);
  const long before = bench.readings();
  CHECK(eventually(10.0, [&] { return bench.readings() >= before + 5; }));

  bench.dir().write("nightwatt.toml",
                    good + "\n[[meter]]\nname = \"shed\"\nport = \"port2\"\nprofile = \"meter.toml\"\n");
  bench.service().signal(SIGHUP);
  CHECK(eventually(5.0, [&bench] { return bench.ask_json({"status"}).at("meters").size() == 2; }));

  // A mirror whose server is not there is told of in a line, and costs the recording nothing.
  bench.dir().write("nightwatt.toml",
                    good + "\n[mirror]\ndatabase = \"host=/nonexistent dbname=rigs\"\nrig = \"north-hut\"\n");
  bench.service().signal(SIGHUP);
  CHECK(eventually(5.0, [&bench] {
    return bench.ask({"status"}).out.find("mirror   not connected, not yet up to date: ") != std::string::npos;
  }));
  CHECK_FALSE(bench.ask_json({"status"}).at("mirror").at("connected").get<bool>());
  const long then = bench.readings();
  CHECK(eventually(10.0, [&] { return bench.readings() >= then + 5; }));
  CHECK(bench.stop_service() == 0);
}

TEST_CASE("a service started twice refuses the second time and harms nothing") {
  Bench bench(line_profile());
  bench.start_meter(steady_script, 30.0);
  bench.start_service();
  const Answer second = run(bench.dir(), "nightwattd", {"--config", bench.config(), "--foreground"});
  CHECK(second.status == 3);
  const long before = bench.readings();
  CHECK(eventually(10.0, [&] { return bench.readings() >= before + 5; }));
  CHECK(bench.stop_service() == 0);
}

TEST_CASE("a port that is missing at the start is found when it comes") {
  Bench bench(line_profile());
  bench.start_service();
  CHECK(bench.readings() == 0);
  bench.start_meter(steady_script, 30.0);
  CHECK(eventually(20.0, [&bench] { return bench.readings() >= 5; }));
  CHECK(bench.stop_service() == 0);
}

TEST_CASE("an unplugged meter comes back by itself and the hole is in the record") {
  Bench bench(line_profile(), "shortest_segment_s = 1");
  bench.start_meter(std::string(steady_script) + "at 60 unplug 60\n", 30.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&bench] { return bench.simulated_s() > 50.0; }));
  REQUIRE(eventually(10.0, [&bench] { return !std::filesystem::is_symlink(bench.dir().path("port")); }));
  const long before = bench.readings();
  CHECK(eventually(20.0, [&] { return bench.readings() >= before + 10; }));
  CHECK(bench.stop_service() == 0);
  CHECK(compare(bench.sent(), bench.stored(), late_limit_s).problem == "");
  CHECK(bench.ask_json({"check"}).at("ok") == true);
}

TEST_CASE("a long stretch of garbage is survived and the next good frames are read") {
  Bench bench(line_profile());
  // Twenty minutes of it at 960 bytes a second: over a megabyte, in six seconds.
  bench.start_meter("noise white 0.4\nlevel 25 for 1h\nat 20 garbage 20min\n", 200.0);
  bench.start_service();
  REQUIRE(eventually(20.0, [&bench] { return bench.simulated_s() > 1300.0; }));
  const long before = bench.readings();
  CHECK(eventually(10.0, [&] { return bench.readings() >= before + 20; }));
  const auto status = bench.ask_json({"status"});
  CHECK(status.at("meters").at(0).at("faults").get<long>() > 0);
  CHECK(bench.stop_service() == 0);
  CHECK(compare(bench.sent(), bench.stored(), late_limit_s).problem == "");
}

TEST_CASE("a Modbus meter with every fault in the book gives its good readings only") {
  Bench bench(modbus_profile(0.04));
  bench.start_meter(std::string(steady_script) +
                        "at 20 cut 2\nat 60 checksum 2\nat 100 exception 6 3\nat 140 silence 20\nat 200 noise 300\n"
                        "at 240 twice 2\nat 280 exception 2\nevery 10s from 300s until 400s noise 3\n",
                    80.0);
  bench.start_service();
  REQUIRE(eventually(20.0, [&bench] { return bench.simulated_s() > 420.0; }));
  const auto status = bench.ask_json({"status"});
  CHECK(status.at("meters").at(0).at("faults").get<long>() >= 8);
  CHECK(bench.stop_service() == 0);
  const auto stored = bench.stored();
  CHECK(stored.size() > 50);
  CHECK(compare(bench.sent(), stored, late_limit_s).problem == "");
}

}  // namespace
}  // namespace nightwatt::process
