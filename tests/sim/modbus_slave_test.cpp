// The simulated Modbus slave against published frames. Sources: MODBUS Application Protocol V1.1b3 sections 6.3 and 6.4
// for the requests and answers, public logs for the exception; the order of 32-bit values as the getters of libmodbus
// 3.1.6 read them.
#include <catch2/catch.hpp>

#include "drivers/protocols.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {
namespace {

std::vector<std::byte> bytes_of(std::string_view hex) {
  std::vector<std::byte> bytes;
  for (std::size_t i = 0; i + 1 < hex.size(); i += 3)
    bytes.push_back(static_cast<std::byte>(std::stoi(std::string(hex.substr(i, 2)), nullptr, 16)));
  return bytes;
}

ReadSpec u16(Quantity quantity, int function, int register_address) {
  ReadSpec read;
  read.quantity = quantity;
  read.function = function;
  read.register_address = static_cast<std::uint16_t>(register_address);
  read.resolution = 1.0;
  return read;
}

MeterProfile profile_of(std::vector<ReadSpec> reads, int unit = 17) {
  MeterProfile profile;
  profile.protocol = ModbusRtuSettings{.unit = unit};
  profile.reads = std::move(reads);
  return profile;
}

struct Slave {
  std::unique_ptr<Meter> meter;
  std::vector<Chunk> out;
  Slave(const MeterProfile& profile, std::string_view text) {
    auto script = parse_script(text, "test");
    REQUIRE(script);
    auto made = make_meter(profile, std::move(*script), 1);
    REQUIRE(made);
    meter = std::move(*made);
  }
  std::vector<std::byte> ask(std::string_view hex, double at_s = 1.0) {
    out.clear();
    meter->receive(bytes_of(hex), at_s, out);
    std::vector<std::byte> all;
    for (const Chunk& chunk : out) all.insert(all.end(), chunk.bytes.begin(), chunk.bytes.end());
    return all;
  }
};

// 555, 0 and 100 in holding registers 108 to 110.
MeterProfile published_holding() {
  return profile_of(
      {u16(Quantity::power, 3, 0x6B), u16(Quantity::energy_export, 3, 0x6C), u16(Quantity::voltage, 3, 0x6D)});
}
constexpr std::string_view published_script = "voltage 100\nlevel 555 for 100\n";

TEST_CASE("the published read of holding registers 108 to 110 gets the published answer") {
  Slave slave(published_holding(), published_script);
  CHECK(slave.ask("11 03 00 6B 00 03 76 87") == bytes_of("11 03 06 02 2B 00 00 00 64 C8 BA"));
  REQUIRE(slave.out.size() == 1);
  REQUIRE(slave.out[0].sent);
  CHECK(slave.out[0].sent->values.size() == 3);
  CHECK(slave.out[0].sent->values[0] == std::pair(Quantity::power, std::string("555")));
}

TEST_CASE("the published read of input register 9 gets the published answer") {
  Slave slave(profile_of({u16(Quantity::power, 4, 8)}), "level 10 for 9\n");
  CHECK(slave.ask("11 04 00 08 00 01 B2 98") == bytes_of("11 04 02 00 0A F8 F4"));
}

TEST_CASE("a register that is none of the profile's is refused with exception 2") {
  Slave slave(profile_of({u16(Quantity::power, 4, 8)}), "level 10 for 9\n");
  CHECK(slave.ask("11 03 00 6B 00 03 76 87") == bytes_of("11 83 02 C1 34"));
}

TEST_CASE("another unit's request, a spoilt one and noise before a good one are told apart") {
  Slave slave(published_holding(), published_script);
  CHECK(slave.ask("12 03 00 6B 00 03 76 B4").empty());
  CHECK(slave.ask("11 03 00 6B 00 03 76 88").empty());
  CHECK(slave.ask("FF 00 FF 11 03 00 6B 00 03 76 87") == bytes_of("11 03 06 02 2B 00 00 00 64 C8 BA"));
}

TEST_CASE("230.5 as float32 lies on the wire in the four orders") {
  const std::pair<RegisterOrder, std::string_view> orders[] = {{RegisterOrder::abcd, "43 66 80 00"},
                                                               {RegisterOrder::cdab, "80 00 43 66"},
                                                               {RegisterOrder::badc, "66 43 00 80"},
                                                               {RegisterOrder::dcba, "00 80 66 43"}};
  for (const auto& [order, wire] : orders) {
    ReadSpec read = u16(Quantity::voltage, 4, 8);
    read.type = RegisterType::float32;
    read.resolution = 0.5;
    read.order = order;
    Slave slave(profile_of({read}), "voltage 230.5\nlevel 10 for 9\n");
    const std::vector<std::byte> answer = slave.ask("11 04 00 08 00 02 F2 99");
    REQUIRE(answer.size() == 9);
    CHECK(std::vector(answer.begin() + 3, answer.begin() + 7) == bytes_of(wire));
    CHECK(slave.out[0].sent->values[0].second == "230.5");
  }
}

TEST_CASE("a negative scale and a signed register carry a positive power") {
  ReadSpec read = u16(Quantity::power, 4, 8);
  read.type = RegisterType::s16;
  read.scale = Decimal{-1, -1};
  read.resolution = 0.1;
  Slave slave(profile_of({read}), "level 12.3 for 9\n");
  CHECK(slave.ask("11 04 00 08 00 01 B2 98").at(3) == std::byte{0xFF});  // -123 = FF85
  CHECK(slave.ask("11 04 00 08 00 01 B2 98").at(4) == std::byte{0x85});
  CHECK(slave.out[0].sent->values[0].second == "12.3");
}

TEST_CASE("faults strike the frames they were written for") {
  const std::string_view good = "11 03 06 02 2B 00 00 00 64 C8 BA";
  Slave slave(published_holding(),
              "voltage 100\nlevel 555 for 100\nat 2 cut\nat 4 checksum\nat 6 exception 6\nat 8 silence 1\nat 10 twice\n"
              "at 12 noise 5\n");
  const auto ask_at = [&slave](double at_s) { return slave.ask("11 03 00 6B 00 03 76 87", at_s); };
  CHECK(ask_at(1) == bytes_of(good));
  CHECK(ask_at(2) == bytes_of("11 03 06 02 2B"));
  CHECK(ask_at(3) == bytes_of(good));
  CHECK(ask_at(4) == bytes_of("11 03 06 02 2B 00 00 00 64 C9 BB"));
  CHECK(ask_at(6).at(1) == std::byte{0x83});
  CHECK(ask_at(7) == bytes_of(good));
  CHECK(ask_at(8.5).empty());
  CHECK(slave.out.at(0).sent->fate == Fate::silent);
  CHECK(ask_at(9) == bytes_of(good));
  CHECK(ask_at(10).size() == 22);
  CHECK(ask_at(12).size() == 11 + 5);
}

}  // namespace
}  // namespace nightwatt::sim
