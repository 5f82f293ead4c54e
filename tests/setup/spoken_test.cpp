// Meters that speak by themselves are known by what they say: the example of the P1 companion standard, and others.
#include "setup/spoken.hpp"

#include <bit>
#include <catch2/catch.hpp>
#include <fstream>
#include <sstream>

#include "config/config.hpp"
#include "drivers/protocols.hpp"

using namespace nightwatt;
using namespace nightwatt::setup;

namespace {

std::vector<MeterProfile> shipped() {
  std::vector<MeterProfile> profiles;
  for (const char* name : {"dsmr-p1", "dsmr-p1-v3", "iec62056-21-push", "text-csv", "iec62056-21"}) {
    auto profile =
        config::load_profile(std::string(NIGHTWATT_PROFILES) + "/" + name + ".toml", "", drivers::protocol_readers());
    REQUIRE(profile);
    if (is_spoken(*profile)) profiles.push_back(*profile);
  }
  return profiles;
}

std::string even_parity(std::string text) {
  for (char& c : text)
    if (std::popcount(static_cast<unsigned char>(c)) % 2 != 0) c = static_cast<char>(c | 0x80);
  return text;
}

std::string known_as(const std::string& bytes, std::uint32_t baud) {
  const auto known = known_by(bytes, baud, shipped());
  return known ? known->profile.name + " " + std::to_string(known->profile.line.data_bits) : "nothing";
}

}  // namespace

TEST_CASE("what speaks by itself in frames is listened for, and not asked") {
  CHECK(shipped().size() == 3);
  for (const MeterProfile& profile : shipped()) CHECK_FALSE(is_asked(profile));
}

TEST_CASE("telegrams and read-outs that come by themselves are known by their bytes, with their line") {
  std::ifstream file(std::string(NIGHTWATT_TEST_DATA) + "/dsmr/example_5_0_2_E47C.txt", std::ios::binary);
  std::ostringstream example;
  example << file.rdbuf();
  CHECK(known_as(example.str(), 115200) == "dsmr-p1 8");
  CHECK(known_as(example.str().substr(0, 700), 115200) == "nothing");
  CHECK(may_be_spoken(example.str().substr(0, 300)));
  const std::string old =
      "/SKP3X\r\n\r\n1-0:1.8.1(00001.500*kWh)\r\n1-0:1.8.2(00002.000*kWh)\r\n1-0:1.7.0(0000.54*kW)\r\n!\r\n";
  CHECK(known_as(even_parity(old), 9600) == "dsmr-p1-v3 7");
  CHECK(may_be_spoken(even_parity(old)));
  const std::string push = "/SKP3X\r\n\r\n1.8.0(001234.567*kWh)\r\n1.7.0(00.2305*kW)\r\n!\r\n";
  CHECK(known_as(even_parity(push), 9600) == "iec62056-21-push 7");
  CHECK(known_as("V=230.1 P=118\nV=230.2 P=119\n1,2,3\n", 9600) == "nothing");
  CHECK_FALSE(may_be_spoken("V=230.1 P=118\nV=230.2 P=119\n1,2,3\n2026-01-05 21:00:00,1.5\n"));
}
