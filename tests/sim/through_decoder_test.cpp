// A simulated meter read by the real decoder in simulated time: every reading is one the meter sent, digit for digit.
// The two share no protocol code, so each checks the other.
#include <algorithm>
#include <catch2/catch.hpp>
#include <optional>

#include "drivers/decoder.hpp"
#include "drivers/iec62056/settings.hpp"
#include "drivers/protocols.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {
namespace {

struct Heard {
  std::vector<Sent> sent;
  std::vector<Values> readings;
  std::size_t faults = 0;
};

Duration at(double seconds) {
  return to_duration(Seconds{seconds});
}

Heard play(const MeterProfile& profile, std::string_view text, double length_s) {
  auto script = parse_script(text, "test");
  REQUIRE(script);
  auto meter = make_meter(profile, std::move(*script), 5);
  auto decoder = drivers::make_decoder(profile);
  REQUIRE(meter);
  REQUIRE(decoder);
  Heard heard;
  std::vector<Chunk> chunks;
  (*meter)->plugged(0.0, chunks);
  for (double now_s = 0.0; now_s < length_s; now_s += 0.005) {
    (*meter)->advance(now_s, chunks);
    drivers::Output out;
    for (const Chunk& chunk : chunks) {
      if (chunk.sent) heard.sent.push_back(*chunk.sent);
      (*decoder)->feed(chunk.bytes, at(now_s), out);
    }
    chunks.clear();
    (*decoder)->tick(at(now_s), out);
    for (const drivers::Measurement& measurement : out.readings) heard.readings.push_back(measurement.values);
    heard.faults += out.faults.size();
    if (!out.send.empty()) (*meter)->receive(out.send, now_s + 0.001, chunks);
  }
  return heard;
}

// The index of the first frame from `next` on that carries exactly these values.
std::optional<std::size_t> find_frame(const std::vector<Sent>& sent, std::size_t next, const Values& values) {
  for (; next < sent.size(); ++next) {
    if (sent[next].fate != Fate::good && sent[next].fate != Fate::twice) continue;
    Values expected;
    for (const auto& [quantity, text] : sent[next].values) expected.set(quantity, Decimal::parse(text).value());
    if (expected == values) return next;
  }
  return std::nullopt;
}

// How many frames that arrived whole were not read; fails where a reading is none of them, or out of order.
std::size_t missed(const Heard& heard) {
  std::size_t next = 0;
  for (std::size_t i = 0; i < heard.readings.size(); ++i) {
    const auto found = find_frame(heard.sent, next, heard.readings[i]);
    CAPTURE(i, next);
    REQUIRE(found);
    next = *found + 1;
  }
  const auto good = std::count_if(heard.sent.begin(), heard.sent.end(), [](const Sent& frame) {
    return !frame.values.empty() && (frame.fate == Fate::good || frame.fate == Fate::twice);
  });
  return static_cast<std::size_t>(good) - heard.readings.size();
}

ReadSpec spec(Quantity quantity, int register_address, RegisterType type, RegisterOrder order, Decimal scale,
              double resolution) {
  ReadSpec read;
  read.quantity = quantity;
  read.register_address = static_cast<std::uint16_t>(register_address);
  read.type = type;
  read.order = order;
  read.scale = scale;
  read.resolution = resolution;
  read.column = register_address;
  read.key = std::string("q") + std::to_string(register_address);
  return read;
}

constexpr std::string_view quiet =
    "voltage 230.2 noise 0.4\nenergy 812.5\nnoise white 0.4\nlevel 25 for 60\nramp 80 for 60\n";

TEST_CASE("a Modbus meter of every register type and order is read digit for digit") {
  const RegisterType types[] = {RegisterType::u32, RegisterType::s32,     RegisterType::u64,
                                RegisterType::s64, RegisterType::float32, RegisterType::float64};
  for (const RegisterType type : types)
    for (const RegisterOrder order :
         {RegisterOrder::abcd, RegisterOrder::cdab, RegisterOrder::badc, RegisterOrder::dcba}) {
      MeterProfile profile;
      profile.protocol = ModbusRtuSettings{};
      const bool is_float = type == RegisterType::float32 || type == RegisterType::float64;
      profile.reads = {spec(Quantity::power, 100, type, order, is_float ? Decimal{1, 0} : Decimal{1, -1}, 0.1),
                       spec(Quantity::voltage, 104, RegisterType::u16, RegisterOrder::abcd, Decimal{1, -1}, 0.1)};
      if (type != RegisterType::u64 && type != RegisterType::s64 && type != RegisterType::float64)
        profile.reads[1].register_address = 102;
      const Heard heard = play(profile, quiet, 100.0);
      CAPTURE(static_cast<int>(type), static_cast<int>(order));
      CHECK(heard.readings.size() >= 95);
      CHECK(missed(heard) == 0);
      CHECK(heard.faults == 0);
    }
}

TEST_CASE("a Modbus meter with every fault gives its good answers only, and the faults are counted") {
  MeterProfile profile;
  profile.protocol = ModbusRtuSettings{.unit = 9, .timeout = Duration{200'000}, .retries = 1};
  profile.reads = {spec(Quantity::power, 12, RegisterType::float32, RegisterOrder::cdab, Decimal{1, 0}, 0.1),
                   spec(Quantity::energy, 14, RegisterType::u32, RegisterOrder::abcd, Decimal{1, -3}, 0.001)};
  const Heard heard = play(profile,
                           std::string(quiet) +
                               "at 10 cut 2\nat 20 checksum 2\nat 30 exception 6 2\nat 40 silence 5\n"
                               "at 50 noise 300\nat 55 garbage 10\nat 70 twice\nevery 3s from 80s until 95s noise 3\n",
                           110.0);
  CHECK(heard.readings.size() >= 75);
  CHECK(heard.faults >= 4);
  (void)missed(heard);
}

TEST_CASE("a Modbus meter over TCP is read digit for digit, with every fault that it can have") {
  MeterProfile profile;
  profile.protocol = ModbusTcpSettings{.unit = 9, .timeout = Duration{200'000}, .retries = 1};
  profile.reads = {spec(Quantity::power, 12, RegisterType::float32, RegisterOrder::cdab, Decimal{1, 0}, 0.1),
                   spec(Quantity::energy, 14, RegisterType::u32, RegisterOrder::abcd, Decimal{1, -3}, 0.001)};
  const Heard calm = play(profile, quiet, 100.0);
  CHECK(calm.readings.size() >= 95);
  CHECK(missed(calm) == 0);
  CHECK(calm.faults == 0);
  const Heard heard =
      play(profile, std::string(quiet) + "at 10 cut 2\nat 30 exception 6 2\nat 40 silence 5\nat 50 noise 300\n", 110.0);
  CHECK(heard.readings.size() >= 75);
  (void)missed(heard);
}

TEST_CASE("a SunSpec meter is found and read digit for digit") {
  MeterProfile profile;
  profile.protocol = SunSpecSettings{.unit = 3, .timeout = Duration{200'000}, .retries = 1};
  for (const auto& [quantity, step] : {std::pair(Quantity::power, 0.1), std::pair(Quantity::voltage, 0.1),
                                       std::pair(Quantity::power_factor, 0.01), std::pair(Quantity::energy, 1.0)}) {
    profile.reads.push_back(spec(quantity, 0, RegisterType::u16, RegisterOrder::abcd, Decimal{1, 0}, step));
  }
  const Heard heard = play(profile, quiet, 100.0);
  CHECK(heard.readings.size() >= 95);
  CHECK(missed(heard) == 0);
  CHECK(heard.faults == 0);
}

TEST_CASE("a pulse output is read to its power, and to its energy within a pulse") {
  MeterProfile profile;
  profile.protocol = S0PulseSettings{.pulses_per_kwh = 10'000.0};
  profile.reads.resize(2);
  profile.reads[1].quantity = Quantity::energy;
  const Heard heard = play(profile, "level 1800 for 60\nlevel 900 for 60\n", 120.0);
  REQUIRE(heard.readings.size() >= 110);
  CHECK(heard.faults == 0);
  CHECK(heard.readings[50].get(Quantity::power)->value() == Approx(1800.0).epsilon(0.01));
  CHECK(heard.readings.back().get(Quantity::power)->value() == Approx(900.0).epsilon(0.01));
  CHECK(heard.readings.back().get(Quantity::energy)->value() == Approx(45.0).margin(0.2));
}

TEST_CASE("an SCPI instrument is read digit for digit, with every fault that it can have") {
  MeterProfile profile;
  profile.protocol = ScpiSettings{.setup = {"*CLS"}, .timeout = Duration{200'000}, .retries = 1};
  profile.reads = {spec(Quantity::power, 1, RegisterType::u16, RegisterOrder::abcd, Decimal{1, 0}, 0.001),
                   spec(Quantity::voltage, 2, RegisterType::u16, RegisterOrder::abcd, Decimal{1, 0}, 0.1)};
  for (ReadSpec& read : profile.reads) read.query = "MEAS:ALL?";
  const Heard calm = play(profile, quiet, 100.0);
  CHECK(calm.readings.size() >= 95);
  CHECK(missed(calm) == 0);
  CHECK(calm.faults == 0);
  const Heard heard = play(profile,
                           std::string(quiet) +
                               "at 10 cut 2\nat 30 exception 1 2\nat 40 silence 5\nat 50 noise 300\n"
                               "at 70 twice\n",
                           110.0);
  CHECK(heard.readings.size() >= 75);
  CHECK(heard.faults >= 3);
}

MeterProfile with_registers(ProtocolSettings protocol) {
  MeterProfile profile;
  profile.protocol = std::move(protocol);
  profile.line = drivers::find_protocol(profile.protocol_name())->default_line_of(profile.protocol);
  for (const auto& [quantity, step] : {std::pair(Quantity::power, 1.0), std::pair(Quantity::voltage, 0.1),
                                       std::pair(Quantity::energy, 1.0), std::pair(Quantity::energy_export, 1.0)}) {
    profile.reads.emplace_back();
    profile.reads.back().quantity = quantity;
    profile.reads.back().resolution = step;
  }
  return profile;
}

TEST_CASE("a P1 port of version 5 is read digit for digit, with every fault that it can have") {
  const MeterProfile profile = with_registers(DsmrP1Settings());
  const Heard calm = play(profile, quiet, 100.0);
  CHECK(calm.readings.size() >= 99);
  CHECK(missed(calm) == 0);
  CHECK(calm.faults == 0);
  const Heard heard = play(profile,
                           std::string(quiet) +
                               "at 10 cut 2\nat 20 checksum 2\nat 40 silence 5\nat 50 noise 300\n"
                               "at 60 garbage 10\n",
                           110.0);
  CHECK(heard.faults >= 4);
  CHECK(missed(heard) == 0);
}

TEST_CASE("a P1 port of version 3, seven bits and no check, is read digit for digit, what is cut is none") {
  MeterProfile profile = with_registers(DsmrP1Settings());
  profile.line = {9600, Parity::even, 7, 1};
  profile.reads[0].resolution = 10.0;
  const Heard heard = play(profile, std::string(quiet) + "at 10 cut 2\nat 40 silence 5\nat 50 noise 300\n", 110.0);
  CHECK(missed(heard) == 0);
  CHECK(heard.faults >= 2);
}

TEST_CASE("an optical head is read digit for digit in each of its modes") {
  for (const Iec62056Mode mode : {Iec62056Mode::a, Iec62056Mode::b, Iec62056Mode::c, Iec62056Mode::d}) {
    const Heard heard = play(with_registers(Iec62056Settings{.mode = mode, .address = "7"}), quiet, 100.0);
    CAPTURE(static_cast<int>(mode), heard.readings.size());
    CHECK(heard.readings.size() >= 90);
    CHECK(missed(heard) == 0);
    CHECK(heard.faults == 0);
  }
}

TEST_CASE("an optical head with every fault gives its good read-outs only") {
  const Heard heard = play(with_registers(Iec62056Settings{}),
                           std::string(quiet) +
                               "at 10 cut 1\nat 20 checksum 1\nat 30 exception 1 1\nat 40 silence 5\n"
                               "at 50 noise 300\nat 60 garbage 10\n",
                           120.0);
  CHECK(heard.faults >= 4);
  CHECK(heard.readings.size() >= 60);
  (void)missed(heard);
}

TEST_CASE("an SML meter is read digit for digit, with every fault that it can have") {
  MeterProfile profile;
  profile.protocol = SmlSettings{};
  profile.reads = {spec(Quantity::power, 0, RegisterType::u16, RegisterOrder::abcd, Decimal{1, 0}, 0.1),
                   spec(Quantity::voltage, 0, RegisterType::u16, RegisterOrder::abcd, Decimal{1, 0}, 0.1),
                   spec(Quantity::energy, 0, RegisterType::u16, RegisterOrder::abcd, Decimal{1, 0}, 0.1)};
  const Heard calm = play(profile, quiet, 100.0);
  CHECK(calm.readings.size() >= 100);
  CHECK(missed(calm) == 0);
  CHECK(calm.faults == 0);
  profile.reads[0].obis = "1-0:1.7.0";
  profile.reads[0].minus = "1-0:2.7.0";
  const Heard heard =
      play(profile,
           std::string(quiet) + "at 10 cut 2\nat 20 checksum 3\nat 30 silence 5\nat 50 noise 300\nat 60 garbage 10\n",
           110.0);
  CHECK(heard.readings.size() >= 85);
  CHECK(heard.faults >= 5);
  CHECK(missed(heard) == 0);
}

TEST_CASE("a text meter is read digit for digit in each form") {
  for (const TextForm form : {TextForm::csv, TextForm::key_value, TextForm::json}) {
    MeterProfile profile;
    profile.protocol = TextLineSettings{form, TextChecksum::none};
    profile.reads = {spec(Quantity::power, 2, RegisterType::u16, RegisterOrder::abcd, Decimal{1, -3}, 0.01),
                     spec(Quantity::voltage, 3, RegisterType::u16, RegisterOrder::abcd, Decimal{1, 0}, 0.1)};
    const Heard heard = play(profile, std::string(quiet) + "banner line meter 3 ready\n", 100.5);
    CAPTURE(static_cast<int>(form), heard.readings.size());
    CHECK(heard.readings.size() >= 100);
    CHECK(missed(heard) == 0);
  }
}

TEST_CASE("a text meter with a checksum loses to a fault the line it struck, and at most the one it ran into") {
  MeterProfile profile;
  profile.protocol = TextLineSettings{TextForm::csv, TextChecksum::xor_nmea};
  profile.interval = Duration{100'000};
  profile.reads = {spec(Quantity::power, 2, RegisterType::u16, RegisterOrder::abcd, Decimal{1, 0}, 0.1),
                   spec(Quantity::energy, 4, RegisterType::u16, RegisterOrder::abcd, Decimal{1, -4}, 0.0001)};
  const Heard heard = play(profile,
                           std::string(quiet) +
                               "at 10 cut\nat 20 checksum 3\nat 30 silence 5\nat 50 noise 300\n"
                               "at 60 garbage 10\nevery 2s from 80s until 90s cut\n",
                           110.0);
  CHECK(heard.faults >= 4);
  CHECK(missed(heard) <= 1 + 1 + 1 + 6);  // behind a cut line, the noise, the garbage, and each of six cut lines
  CHECK(heard.readings.size() >= 900);
}

}  // namespace
}  // namespace nightwatt::sim
