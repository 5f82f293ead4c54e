// A device of the test's own with a map built from the published model files (tests know offsets and types from there,
// the decoder has its own table).

#include <catch2/catch.hpp>
#include <cstring>
#include <functional>
#include <map>

#include "crc16.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using test::Bytes;
using namespace std::chrono_literals;

class Device {
 public:
  bool tcp = false;
  std::map<unsigned, unsigned> registers;

  explicit Device(unsigned base) {
    put(base, {0x5375, 0x6E53, 1, 66});  // "SunS", the common model
    for (unsigned i = 0; i < 66; ++i) registers[base + 4 + i] = 0;
    meter_ = base + 70;
  }
  [[nodiscard]] unsigned meter() const { return meter_; }
  void put(unsigned at, const std::vector<unsigned>& words) {
    for (const unsigned word : words) registers[at++] = word & 0xFFFFU;
  }
  /// Model 201 to 204: 105 registers, all "not implemented" to begin with.
  void add_whole_numbers(unsigned model) {
    put(meter_, {model, 105});
    for (unsigned i = 2; i < 107; ++i) registers[meter_ + i] = 0x8000;
    for (unsigned i = 38; i < 54; ++i) registers[meter_ + i] = 0;
    put(meter_ + 107, {0xFFFF, 0});
  }
  void add_floats(unsigned model) {
    put(meter_, {model, 124});
    for (unsigned i = 2; i < 126; i += 2) put(meter_ + i, {0x7FC0, 0});
    put(meter_ + 126, {0xFFFF, 0});
  }
  void put_float(unsigned offset, float value) {
    std::uint32_t bits = 0;
    std::memcpy(&bits, &value, 4);
    put(meter_ + offset, {bits >> 16U, bits & 0xFFFFU});
  }

  Bytes answer(const Bytes& asked) const {
    const std::size_t at = tcp ? 6 : 0;
    if (asked.size() != at + (tcp ? 6 : 8)) return {};  // the other kind of frame: not understood
    const auto word = [&](std::size_t i) {
      return std::to_integer<unsigned>(asked[at + i]) * 256 + std::to_integer<unsigned>(asked[at + i + 1]);
    };
    Bytes pdu = {asked[at], asked[at + 1], static_cast<std::byte>(2 * word(4))};
    for (unsigned i = 0; i < word(4); ++i) {
      const auto found = registers.find(word(2) + i);
      if (found == registers.end()) {
        pdu = {asked[at], asked[at + 1] | std::byte{0x80}, std::byte{2}};
        break;
      }
      pdu.push_back(static_cast<std::byte>(found->second >> 8U));
      pdu.push_back(static_cast<std::byte>(found->second & 0xFFU));
    }
    if (tcp) {
      Bytes frame = {asked[0], asked[1], {}, {}, {}, static_cast<std::byte>(pdu.size())};
      frame.insert(frame.end(), pdu.begin(), pdu.end());
      return frame;
    }
    const std::uint16_t crc = crc16_modbus(pdu);
    pdu.push_back(static_cast<std::byte>(crc & 0xFFU));
    pdu.push_back(static_cast<std::byte>(crc >> 8U));
    return pdu;
  }

 private:
  unsigned meter_;
};

MeterProfile profile() {
  MeterProfile made;
  made.protocol = SunSpecSettings();
  for (const Quantity quantity : all_quantities) {
    made.reads.emplace_back();
    made.reads.back().quantity = quantity;
  }
  return made;
}

/// Talks until there are so many readings; 120 simulated seconds at most. `before` is called before each millisecond.
Output talk(Device& device, std::size_t readings, const std::function<void(Duration)>& before = {}) {
  auto decoder = make_decoder(profile()).value();
  Output out;
  Bytes on_its_way;
  decoder->reset(Duration{0});
  for (Duration now{0}; now < 120s && out.readings.size() < readings; now += 5ms) {
    if (before) before(now);
    if (!on_its_way.empty()) decoder->feed(std::exchange(on_its_way, {}), now, out);
    decoder->tick(now, out);
    if (!out.send.empty()) on_its_way = device.answer(std::exchange(out.send, {}));
  }
  return out;
}

}  // namespace

TEST_CASE("a SunSpec meter is found at each place of its map, over serial and TCP frames") {
  for (const unsigned base : {40000U, 50000U, 0U})
    for (const bool tcp : {false, true}) {
      Device device(base);
      device.tcp = tcp;
      device.add_whole_numbers(203);
      device.put(device.meter() + 18, {251, 0, 0, 0, 0xFFFF});  // W with W_SF -1
      const Output out = talk(device, 2);
      CAPTURE(base, tcp, test::described(out));
      REQUIRE(out.readings.size() == 2);
      CHECK(out.readings[0].values.get(Quantity::power)->text() == "25.1");
      CHECK_FALSE(out.readings[0].values.has(Quantity::voltage));
    }
}

TEST_CASE("scale factors are followed, also when they change, and what is not implemented is left out") {
  Device device(40000);
  device.add_whole_numbers(201);
  device.put(device.meter() + 2, {109, 0x8000, 0x8000, 0x8000, 0xFFFD});           // A, A_SF -3
  device.put(device.meter() + 8, {2304});                                          // PhVphA alone
  device.put(device.meter() + 15, {0xFFFF, 5000, 0xFFFE, 2502, 0, 0, 0, 0xFFFE});  // V_SF, Hz, Hz_SF, W, W_SF -2
  device.put(device.meter() + 33, {98, 0, 0, 0, 0});                               // PF in percent
  device.put(device.meter() + 46, {1, 0x86A0});                                    // TotWhImp 100000
  device.put(device.meter() + 54, {1});                                            // TotWh_SF 1
  const Output out = talk(device, 3, [&](Duration now) {
    if (now == 2500ms) device.put(device.meter() + 18, {250, 0, 0, 0, 0xFFFF});
  });
  REQUIRE(out.readings.size() == 3);
  const Values& first = out.readings[0].values;
  CHECK(first.get(Quantity::power)->text() == "25.02");
  CHECK(first.get(Quantity::current)->text() == "0.109");
  CHECK(first.get(Quantity::voltage)->text() == "230.4");
  CHECK(first.get(Quantity::frequency)->text() == "50.00");
  CHECK(first.get(Quantity::power_factor)->text() == "0.98");
  CHECK(first.get(Quantity::energy)->value() == 1000000.0);
  CHECK_FALSE(first.has(Quantity::energy_export));
  CHECK_FALSE(first.has(Quantity::apparent));
  CHECK(out.readings[2].values.get(Quantity::power)->text() == "25.0");
}

TEST_CASE("a model of floats is read, NaN is not implemented") {
  Device device(0);
  device.add_floats(213);
  device.put_float(28, -1234.5F);
  device.put_float(68, 6825.25F);
  const Output out = talk(device, 1);
  REQUIRE(out.readings.size() == 1);
  CHECK(out.readings[0].values.get(Quantity::power)->text() == "-1234.5");
  CHECK(out.readings[0].values.get(Quantity::energy)->text() == "6825.25");
  CHECK_FALSE(out.readings[0].values.has(Quantity::voltage));
}

TEST_CASE("no map, and a map without a meter, are faults that say so") {
  Device none(10);
  const Output nothing = talk(none, 1);
  REQUIRE_FALSE(nothing.faults.empty());
  CHECK(nothing.faults[0].message.find("no SunSpec map at registers 40000, 50000 and 0 of unit 1") == 0);

  Device no_meter(40000);
  no_meter.put(no_meter.meter(), {0xFFFF, 0});
  const Output without = talk(no_meter, 1);
  REQUIRE_FALSE(without.faults.empty());
  CHECK(without.faults[0].message == "the SunSpec map of unit 1 has no meter model (201 to 204, 211 to 214)");
}

TEST_CASE("another block at the meter's place is no reading, and the map is looked for again") {
  Device device(40000);
  device.add_whole_numbers(203);
  device.put(device.meter() + 18, {251, 0, 0, 0, 0xFFFF});
  Device moved(50000);
  const Output out = talk(device, 4, [&](Duration now) {
    if (now != 2500ms) return;
    device.put(device.meter(), {999, 105});  // the firmware was changed: another model stands in front
    device.put(device.meter() + 107, {203, 105});
    for (unsigned i = 2; i < 107; ++i) device.registers[device.meter() + 107 + i] = 0x8000;
    device.put(device.meter() + 107 + 18, {77, 0, 0, 0, 0});
  });
  REQUIRE(out.readings.size() == 4);
  CHECK(out.readings[1].values.get(Quantity::power)->text() == "25.1");
  CHECK(out.readings[3].values.get(Quantity::power)->text() == "77");
}

TEST_CASE("a captured block is known by its model's number") {
  Device device(40000);
  device.add_whole_numbers(203);
  device.put(device.meter() + 18, {251, 0, 0, 0, 0xFFFF});
  const Bytes asked = test::from_hex("01 03 9C 86 00 37 00 00");  // register 40070, 55 of them
  const Bytes block = device.answer(asked);
  const Output out =
      test::decode_whole(profile(), test::operator+(test::from_hex("FF 13"), test::operator+(block, block)));
  CHECK(out.readings.size() == 2);
  CHECK(out.readings[0].values.get(Quantity::power)->text() == "25.1");
  CHECK(out.faults.size() == 1);
}

}  // namespace nightwatt::drivers
