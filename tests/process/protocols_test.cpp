// Meters of the protocols with telegrams and read-outs, live: simulated on a pseudo-terminal, recorded by the service.
#include <catch2/catch.hpp>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

// Every reading in the store is one that the meter sent, digit for digit.
void check_stored(const Bench& bench) {
  const auto sent = bench.sent();
  const auto stored = bench.stored();
  REQUIRE_FALSE(stored.empty());
  for (const StoredReading& reading : stored) {
    const bool known = std::any_of(sent.begin(), sent.end(), [&](const SentFrame& frame) {
      return frame.readable() && frame.values.at("power_w") == reading.values.at("power_w") &&
             std::stod(frame.values.at("energy_wh")) == std::stod(reading.values.at("energy_wh"));
    });
    CAPTURE(reading.values.at("power_w"), reading.values.at("energy_wh"));
    CHECK(known);
  }
}

constexpr std::string_view reads =
    "[[read]]\nquantity = \"power\"\nresolution = 1\n[[read]]\nquantity = \"energy\"\nresolution = 1\n";

TEST_CASE("a P1 port and an optical head in mode c are recorded live, and the parity taken off is said once") {
  Bench port("protocol = \"dsmr-p1\"\ninterval_s = 1.0\n" + std::string(reads));
  Bench head("protocol = \"iec62056-21\"\ninterval_s = 1.0\n" + std::string(reads));
  const std::string script = "voltage 230\nenergy 812.5\nnoise white 2\nlevel 250 for 1h\n";
  port.start_meter(script, 5.0);
  head.start_meter(script, 1.0);
  port.start_service();
  head.start_service();
  CHECK(eventually(10.0, [&] { return port.readings() >= 3 && head.readings() >= 1; }));
  CHECK(port.meter_state() == "recording");
  CHECK(head.meter_state() == "recording");
  CHECK(head.log().find("parity") != std::string::npos);
  CHECK(port.stop_service() == 0);
  CHECK(head.stop_service() == 0);
  check_stored(port);
  check_stored(head);
}

}  // namespace
}  // namespace nightwatt::process
