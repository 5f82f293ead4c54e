// What comes over a port, caught through the running service and without it, and decoded again.
#include <catch2/catch.hpp>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

constexpr const char* script = "level 24.5 for 1h\n";

nlohmann::json readings_of(const Answer& decoded) {
  nlohmann::json readings = nlohmann::json::array();
  std::size_t begin = 0;
  for (std::size_t end = 0; (end = decoded.out.find('\n', begin)) != std::string::npos; begin = end + 1)
    readings.push_back(nlohmann::json::parse(decoded.out.substr(begin, end - begin)));
  return readings;
}

TEST_CASE("a meter's port is captured without the service and through it, which goes on recording, and decoded") {
  Bench bench(modbus_profile(0.05));
  bench.start_meter(script, 1.0);
  const auto caught = [&](const std::string& name, bool by_service) {
    const std::string file = bench.dir().path(name);
    const Answer capture = bench.ask({"capture", "--meter", "bench", "-o", file, "--seconds", "0.8"});
    INFO(capture.err << capture.out);
    REQUIRE(capture.status == 0);
    const std::string text = bench.dir().read(name);
    CHECK((text.find("by the service") != std::string::npos) == by_service);
    CHECK(text.find(" > ") != std::string::npos);
    const std::string profile = bench.dir().path("meter.toml");
    CHECK(capture.out.find("nightwatt decode " + file + " --profile " + profile) != std::string::npos);
    const Answer decoded = bench.ask({"decode", file, "--profile", profile, "--json"});
    const auto readings = readings_of(decoded);
    INFO(decoded.err);
    CHECK(readings.size() >= 5);
    for (const auto& reading : readings) CHECK(reading["power_w"] == 24.5);
  };
  caught("alone.capture", false);
  bench.start_service();
  REQUIRE(eventually(5.0, [&] { return bench.readings() > 2; }));
  const long before = bench.readings();
  caught("service.capture", true);
  CHECK(bench.readings() > before + 5);
}

}  // namespace
}  // namespace nightwatt::process
