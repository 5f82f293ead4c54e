// The simulated home-made meter that says lines of text.
#include <catch2/catch.hpp>

#include "drivers/protocols.hpp"
#include "sim/meter.hpp"
#include "tools/sim/line_meter.hpp"

namespace nightwatt::sim {
namespace {

MeterProfile profile_of(TextForm form, TextChecksum checksum = TextChecksum::none) {
  MeterProfile profile;
  profile.protocol = TextLineSettings{form, checksum};
  ReadSpec power;
  power.resolution = 0.1;
  power.column = 2;
  power.key = "P";
  ReadSpec voltage = power;
  voltage.quantity = Quantity::voltage;
  voltage.column = 4;
  voltage.key = "mV";
  voltage.scale = Decimal{1, -3};
  profile.reads = {power, voltage};
  return profile;
}

std::string say(const MeterProfile& profile, std::string_view text, double until_s, std::vector<Sent>* sent = nullptr) {
  auto script = parse_script(text, "test");
  REQUIRE(script);
  auto meter = make_meter(profile, std::move(*script), 1);
  REQUIRE(meter);
  std::vector<Chunk> chunks;
  (*meter)->plugged(0.0, chunks);
  (*meter)->advance(until_s, chunks);
  std::string all;
  for (const Chunk& chunk : chunks) {
    for (const std::byte byte : chunk.bytes) all += static_cast<char>(byte);
    if (sent != nullptr && chunk.sent) sent->push_back(*chunk.sent);
  }
  return all;
}

TEST_CASE("the checksum is the NMEA 0183 one") {
  // A published sentence of that standard, with its own checksum.
  CHECK(with_checksum("GPGLL,5057.970,N,00146.110,E,142451,A", false) == "$GPGLL,5057.970,N,00146.110,E,142451,A*27");
  CHECK(with_checksum("GPGLL,5057.970,N,00146.110,E,142451,A", true) != "$GPGLL,5057.970,N,00146.110,E,142451,A*27");
}

TEST_CASE("a line is said every interval in each form, with the scale undone") {
  const std::string_view script = "voltage 230.1\nlevel 25 for 60\n";
  CHECK(say(profile_of(TextForm::csv), script, 1.5) == "0,25.0,0,230100\r\n1,25.0,1,230100\r\n");
  CHECK(say(profile_of(TextForm::key_value), script, 0.5) == "P=25.0 mV=230100\r\n");
  CHECK(say(profile_of(TextForm::json), script, 0.5) == "{\"P\":25.0,\"mV\":230100}\r\n");
  CHECK(say(profile_of(TextForm::key_value, TextChecksum::xor_nmea), script, 0.5).substr(0, 18) ==
        "$P=25.0 mV=230100*");
}

TEST_CASE(
    "a meter that reports on change is silent while it shows the same, and says all of it when plugged in again") {
  MeterProfile profile = profile_of(TextForm::key_value);
  profile.on_change = true;
  CHECK(say(profile, "voltage 230.1\nlevel 25 for 10\nlevel 25.04 for 10\nlevel 26 for 10\n", 29.5) ==
        "P=25.0 mV=230100\r\nP=26.0 mV=230100\r\n");
  auto meter = make_meter(profile, *parse_script("level 25 for 60\n", "test"), 1);
  REQUIRE(meter);
  std::vector<Chunk> chunks;
  (*meter)->plugged(0.0, chunks);
  (*meter)->advance(5.0, chunks);
  CHECK(chunks.size() == 1);
  (*meter)->plugged(10.0, chunks);
  (*meter)->advance(15.0, chunks);
  CHECK(chunks.size() == 2);
}

TEST_CASE("what was sent is told in the quantity's unit, digit for digit") {
  std::vector<Sent> sent;
  (void)say(profile_of(TextForm::csv), "voltage 230.1\nlevel 25 for 60\n", 0.5, &sent);
  REQUIRE(sent.size() == 1);
  CHECK(sent[0].values[0].second == "25.0");
  CHECK(sent[0].values[1].second == "230.100");
}

TEST_CASE("a banner comes first, a cut line runs into the next, silence says nothing") {
  const std::string text = say(profile_of(TextForm::key_value),
                               "banner wattmeter 3 ready\nlevel 25 for 60\nat 1 cut\nat 3 silence 2\n", 5.0);
  CHECK(text == "wattmeter 3 ready\r\nP=25.0 mV=230000\r\nP=25.0 mVP=25.0 mV=230000\r\nP=25.0 mV=230000\r\n");
}

TEST_CASE("a fault that the protocol does not have is refused") {
  auto script = parse_script("level 5 for 9\nat 1 exception 2\n", "test");
  REQUIRE(script);
  CHECK_FALSE(make_meter(profile_of(TextForm::csv), *script, 1));
  auto spoilt = parse_script("level 5 for 9\nat 1 checksum\n", "test");
  REQUIRE(spoilt);
  CHECK_FALSE(make_meter(profile_of(TextForm::csv), *spoilt, 1));
  CHECK(make_meter(profile_of(TextForm::csv, TextChecksum::xor_nmea), *spoilt, 1));
}

}  // namespace
}  // namespace nightwatt::sim
