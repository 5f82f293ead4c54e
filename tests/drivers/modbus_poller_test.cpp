#include <catch2/catch.hpp>

#include "crc16.hpp"
#include "modbus/poller.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using test::Bytes;
using test::from_hex;
using test::operator+;
using namespace std::chrono_literals;
using enum RegisterType;

Bytes sealed(Bytes frame) {
  const std::uint16_t crc = crc16_modbus(frame);
  frame.push_back(static_cast<std::byte>(crc & 0xFFU));
  frame.push_back(static_cast<std::byte>(crc >> 8U));
  return frame;
}

Bytes answer(int function, unsigned value) {
  return sealed({std::byte{17}, static_cast<std::byte>(function), std::byte{2}, static_cast<std::byte>(value >> 8U),
                 static_cast<std::byte>(value & 0xFFU)});
}

const Bytes ask_8 = from_hex("11 04 00 08 00 01 B2 98");  // V1.1b3, 6.4
const Bytes power_10 = from_hex("11 04 02 00 0A F8 F4");
const Bytes refusal_2 = sealed(from_hex("11 84 02"));

MeterProfile one_register() {
  return test::modbus_profile({test::modbus_read(Quantity::power, 4, 8, u16)});
}
/// Two requests whose answers have the same length: registers 8 and 20.
MeterProfile two_alike() {
  return test::modbus_profile(
      {test::modbus_read(Quantity::power, 4, 8, u16), test::modbus_read(Quantity::voltage, 4, 20, u16)});
}
const Bytes ask_20 = sealed(from_hex("11 04 00 14 00 01"));
/// Registers 8 and 9: no request of two_alike() has an answer of that length.
const Bytes clearing = sealed(from_hex("11 04 00 08 00 02"));
const Bytes second_clearing = sealed(from_hex("11 04 00 08 00 03"));
const Bytes second_clearing_answer = sealed(from_hex("11 04 06 00 0A 00 00 00 00"));
const Bytes clearing_answer = sealed(from_hex("11 04 04 00 0A 00 00"));

/// A decoder under a clock that only the test moves.
class Bench {
 public:
  explicit Bench(const MeterProfile& profile) : decoder_(make_decoder(profile).value()) {}

  /// What is sent by `now`, the clock stopping wherever the decoder asks for it.
  Bytes sent_until(Duration now) {
    out_.send.clear();
    for (int i = 0; i < 1000; ++i) {
      const auto next = decoder_->next_tick();
      if (!next || *next > now) break;
      now_ = std::max(now_, *next);
      decoder_->tick(now_, out_);
    }
    now_ = now;
    decoder_->tick(now_, out_);
    return out_.send;
  }
  void receive(const Bytes& bytes) { decoder_->feed(bytes, now_, out_); }
  Decoder& decoder() { return *decoder_; }
  Output& out() { return out_; }
  [[nodiscard]] std::vector<std::string> readings() const {
    std::vector<std::string> texts;
    for (const Measurement& reading : out_.readings) texts.push_back(reading.values.get(Quantity::power)->text());
    return texts;
  }
  [[nodiscard]] std::vector<FaultKind> faults() const {
    std::vector<FaultKind> kinds;
    for (const Fault& fault : out_.faults) kinds.push_back(fault.kind);
    return kinds;
  }

 private:
  std::unique_ptr<Decoder> decoder_;
  Duration now_{0};
  Output out_;
};

using Texts = std::vector<std::string>;
using Kinds = std::vector<FaultKind>;

}  // namespace

TEST_CASE("neighbouring registers of one function are asked in one request") {
  Bench bench(test::modbus_profile({test::modbus_read(Quantity::current, 3, 109, u16),
                                    test::modbus_read(Quantity::power, 3, 107, u16),
                                    test::modbus_read(Quantity::voltage, 3, 108, u16)}));
  CHECK(bench.sent_until(0ms) == from_hex("11 03 00 6B 00 03 76 87"));  // V1.1b3, 6.3
  bench.receive(from_hex("11 03 06 02 2B 00 00 00 64 C8 BA"));
  CHECK(test::described(bench.out()) == "@0 power_w=555 voltage_v=0 current_a=100\n");
}

TEST_CASE("a hole between registers is not read over, and a request has 125 registers at most") {
  using modbus::Request;
  const auto requests = [](std::vector<ReadSpec> reads) {
    return modbus::Plan::make("modbus-rtu", 1, {1, 247}, reads).value().requests();
  };
  CHECK(requests({test::modbus_read(Quantity::power, 4, 8, u16), test::modbus_read(Quantity::voltage, 4, 10, u16)}) ==
        std::vector<Request>{{1, 4, 8, 1}, {1, 4, 10, 1}});
  CHECK(requests({test::modbus_read(Quantity::power, 3, 8, u16), test::modbus_read(Quantity::voltage, 4, 9, u16)}) ==
        std::vector<Request>{{1, 3, 8, 1}, {1, 4, 9, 1}});
  // The same and overlapping registers are asked once.
  CHECK(requests({test::modbus_read(Quantity::power, 4, 8, u32), test::modbus_read(Quantity::voltage, 4, 9, u32),
                  test::modbus_read(Quantity::current, 4, 8, u16)}) == std::vector<Request>{{1, 4, 8, 3}});
}

TEST_CASE("requests go out on a fixed grid from the first one, without drift") {
  Bench bench(one_register());
  CHECK(bench.sent_until(250ms) == ask_8);  // the first tick is at 0, where the decoder asked for it
  bench.receive(power_10);
  for (int second = 1; second <= 100; ++second) {
    CHECK(bench.sent_until(second * 1000ms - 1us).empty());
    // The timer is late by up to 99 ms; the grid does not move.
    CHECK(bench.decoder().next_tick() == Duration(second * 1000ms));
    CHECK(bench.sent_until(second * 1000ms + (second % 10) * 11ms) == ask_8);
    bench.receive(power_10);
  }
  CHECK(bench.readings().size() == 101);
  CHECK(bench.faults().empty());
}

TEST_CASE("slots that pass while a meter is slow are skipped") {
  MeterProfile profile = one_register();
  profile.interval = 100ms;
  Bench bench(profile);
  CHECK(bench.sent_until(0ms) == ask_8);
  CHECK(bench.sent_until(350ms).empty());
  bench.receive(power_10);
  CHECK(bench.decoder().next_tick() == Duration(400ms));
}

TEST_CASE("silence is asked again after the time-out and becomes one fault after the retries") {
  MeterProfile profile = one_register();
  profile.line.baud = 9600;
  Bench bench(profile);
  CHECK(bench.sent_until(0ms) == ask_8);
  // 15 characters of 10 bits at 9600 baud are 15.6 ms on the wire.
  CHECK(bench.sent_until(1000ms).empty());
  CHECK(bench.sent_until(1020ms) == ask_8);
  CHECK(bench.sent_until(2040ms) == ask_8);
  CHECK(bench.out().faults.empty());
  CHECK(bench.sent_until(3046ms).empty());
  CHECK(bench.faults().empty());
  // The slot of 3 s has just passed and is kept.
  CHECK(bench.sent_until(3060ms) == ask_8);
  CHECK(bench.faults() == Kinds{FaultKind::timeout});
  CHECK(bench.out().faults[0].message == "no answer from unit 17 to function 4, register 8 after 3 tries");
  bench.receive(power_10);
  CHECK(bench.readings() == Texts{"10"});
}

TEST_CASE("a request waits for 3.5 characters of silence") {
  // Serial Line V1.02, 2.5.1.1: 11 bits a character, and 1.75 ms above 19200 baud.
  LineSettings line;
  line.parity = Parity::even;
  line.baud = 9600;
  CHECK(modbus::frame_pause(line).count() == Approx(4010).margin(2));
  line.baud = 19200;
  CHECK(modbus::frame_pause(line).count() == Approx(2005).margin(2));
  line.baud = 38400;
  CHECK(modbus::frame_pause(line) == 1750us);
  line.baud = 115200;
  CHECK(modbus::frame_pause(line) == 1750us);

  MeterProfile profile = two_alike();
  profile.line.baud = 115200;
  Bench bench(profile);
  CHECK(bench.sent_until(0ms) == ask_8);
  CHECK(bench.sent_until(10ms).empty());
  bench.receive(power_10);
  CHECK(bench.sent_until(10ms + 1749us).empty());
  CHECK(bench.sent_until(10ms + 1750us) == ask_20);
}

TEST_CASE("a refusal is one fault with the standard's name, and is not asked again") {
  Bench bench(one_register());
  bench.sent_until(0ms);
  bench.receive(refusal_2);
  CHECK(bench.out().faults[0].message == "unit 17 refused function 4, register 8: illegal data address (exception 2)");
  CHECK(bench.faults() == Kinds{FaultKind::exception});
  CHECK(bench.decoder().next_tick() == Duration(1000ms));
  CHECK(bench.sent_until(1000ms) == ask_8);
}

TEST_CASE("a busy meter is asked again at once") {
  Bench bench(one_register());
  bench.sent_until(0ms);
  bench.receive(sealed(from_hex("11 84 06")));
  CHECK(bench.sent_until(10ms) == ask_8);
  bench.receive(power_10);
  CHECK(bench.readings() == Texts{"10"});
  CHECK(bench.faults() == Kinds{FaultKind::exception});
}

TEST_CASE("an answer with a wrong check is asked again as soon as the line is silent") {
  Bench bench(one_register());
  bench.sent_until(0ms);
  Bytes wrong = power_10;
  wrong[3] ^= std::byte{4};
  bench.receive(wrong);
  CHECK(bench.sent_until(10ms) == ask_8);
  bench.receive(power_10);
  CHECK(bench.readings() == Texts{"10"});
  CHECK(bench.faults() == Kinds{FaultKind::checksum});
}

TEST_CASE("three wrong checks are three faults and a missed reading, without waiting for the time-out") {
  Bench bench(one_register());
  Bytes wrong = power_10;
  wrong[3] ^= std::byte{4};
  for (int i = 0; i < 3; ++i) {
    CHECK(bench.sent_until(i * 20ms) == ask_8);
    bench.receive(wrong);
  }
  CHECK(bench.sent_until(999ms).empty());
  CHECK(bench.faults() == Kinds{FaultKind::checksum, FaultKind::checksum, FaultKind::checksum});
  CHECK(bench.sent_until(1000ms) == ask_8);
}

TEST_CASE("the echo of a two-wire adapter is dropped and no fault") {
  Bench bench(one_register());
  bench.sent_until(0ms);
  bench.receive(ask_8 + power_10);
  CHECK(test::described(bench.out()) == "@8 power_w=10\n");
}

TEST_CASE("noise around an answer costs nothing") {
  Bench bench(one_register());
  bench.sent_until(0ms);
  bench.receive(from_hex("00 FF") + power_10 + from_hex("00"));
  bench.sent_until(1000ms);
  bench.receive(from_hex("11 04 02 11 04") + power_10);  // what looks like the beginning of an answer
  bench.sent_until(2000ms);
  CHECK(bench.readings() == Texts{"10", "10"});
  CHECK(bench.faults() == Kinds{FaultKind::malformed});
}

TEST_CASE("a cut answer is asked again and named") {
  Bench bench(one_register());
  bench.sent_until(0ms);
  bench.receive(from_hex("11 04 02 00"));
  // It is over when the line has been silent for five characters and a USB bridge's latency, not at the time-out.
  CHECK(bench.sent_until(40ms).empty());
  CHECK(bench.sent_until(60ms) == ask_8);
  bench.receive(power_10);
  CHECK(bench.readings() == Texts{"10"});
  CHECK(bench.out().faults[0].message == "an answer cut short: 4 of 7 bytes");
}

TEST_CASE("a doubled answer is a fault and not a second reading") {
  Bench bench(two_alike());
  bench.sent_until(0ms);
  bench.receive(power_10 + power_10);
  CHECK(bench.sent_until(10ms) == ask_20);
  bench.receive(answer(4, 2300));
  CHECK(test::described(bench.out()) ==
        "@0 power_w=10 voltage_v=2300\n"
        "@7 mismatch: an answer of 2 data bytes to function 4 of unit 17: late, doubled or to another request\n");
}

TEST_CASE(
    "a doubled answer that comes in slowly holds the next question until the line is silent, and is not its answer") {
  Bench bench(two_alike());
  CHECK(bench.sent_until(0ms) == ask_8);
  bench.receive(power_10);
  // The second copy byte by byte, 3 ms apart: never as long as the pause of 3.5 characters, 3.646 ms at 9600 baud.
  Duration now{0};
  for (const std::byte byte : power_10) {
    now += 3ms;
    CHECK(bench.sent_until(now).empty());
    bench.receive({byte});
  }
  CHECK(bench.sent_until(now + 3ms).empty());
  CHECK(bench.sent_until(now + 5ms) == ask_20);
  bench.receive(answer(4, 2300));
  REQUIRE(bench.out().readings.size() == 1);
  CHECK(bench.out().readings[0].values.get(Quantity::power) == Decimal{10, 0});
  CHECK(bench.out().readings[0].values.get(Quantity::voltage) == Decimal{2300, 0});
  CHECK(bench.faults() == Kinds{FaultKind::mismatch});
}

TEST_CASE("a late answer is never taken for that of another request of the same length") {
  MeterProfile profile = two_alike();
  profile.interval = 5s;
  Bench bench(profile);
  CHECK(bench.sent_until(0ms) == ask_8);
  CHECK(bench.sent_until(1100ms) == ask_8);  // the first try timed out
  bench.receive(answer(4, 11));              // the answer to the first: good, the question is the same
  // The answer to the second is still owed: a question whose answer has another length goes first, two registers here.
  CHECK(bench.sent_until(1110ms) == clearing);
  bench.receive(answer(4, 12));
  CHECK(bench.sent_until(1200ms).empty());
  bench.receive(clearing_answer);
  CHECK(bench.sent_until(1210ms) == ask_20);
  bench.receive(answer(4, 2300));
  // The second answer is a power too, told later.
  REQUIRE(bench.readings() == Texts{"11", "12"});
  CHECK(bench.out().readings[0].values.get(Quantity::voltage) == Decimal{2300, 0});
  CHECK_FALSE(bench.out().readings[1].values.has(Quantity::voltage));
}

TEST_CASE("a refusal of the clearing question clears as well as an answer") {
  MeterProfile profile = two_alike();
  profile.interval = 5s;
  Bench bench(profile);
  bench.sent_until(0ms);
  CHECK(bench.sent_until(1100ms) == ask_8);
  bench.receive(answer(4, 11));
  CHECK(bench.sent_until(1110ms) == clearing);
  bench.receive(refusal_2);
  CHECK(bench.out().faults.empty());
  CHECK(bench.sent_until(1120ms) == ask_20);
}

TEST_CASE("after the opening the line is listened to for one time-out, then cleared") {
  Bench bench(two_alike());
  bench.decoder().reset(0ms);
  CHECK(bench.sent_until(999ms).empty());
  CHECK(bench.sent_until(1000ms) == clearing);
  bench.receive(clearing_answer);
  CHECK(bench.sent_until(1010ms) == ask_8);
  bench.receive(power_10);
  CHECK(bench.sent_until(1020ms) == ask_20);
  bench.receive(answer(4, 2300));
  // The first reading counts when a second clearing answer came behind it.
  CHECK(bench.readings().empty());
  CHECK(bench.sent_until(1030ms) == second_clearing);
  bench.receive(second_clearing_answer);
  CHECK(bench.readings() == Texts{"10"});
}

TEST_CASE("what the program before asked for is waited out: two time-outs of silence, and none of it counts") {
  Bench bench(two_alike());
  bench.decoder().reset(0ms);
  CHECK(bench.sent_until(500ms).empty());
  bench.receive(answer(4, 2300));
  CHECK(bench.sent_until(2499ms).empty());
  CHECK(bench.sent_until(2500ms) == clearing);
  bench.receive(answer(4, 2301));  // slower still
  CHECK(bench.sent_until(4499ms).empty());
  CHECK(bench.sent_until(4500ms) == second_clearing);
  bench.receive(second_clearing_answer);
  CHECK(bench.sent_until(4510ms) == ask_8);
  bench.receive(power_10);
  CHECK(bench.sent_until(4520ms) == ask_20);
  bench.receive(answer(4, 2300));
  CHECK(bench.sent_until(4530ms) == clearing);
  bench.receive(clearing_answer);
  CHECK(bench.readings() == Texts{"10"});
}

TEST_CASE("a line that is never silent is asked ten seconds after the opening") {
  Bench bench(two_alike());
  bench.decoder().reset(0ms);
  for (auto at = 500ms; at < 10'000ms; at += 500ms) {
    REQUIRE(bench.sent_until(at).empty());
    bench.receive(answer(4, 2300));
  }
  CHECK(bench.sent_until(9'999ms).empty());
  CHECK(bench.sent_until(10'000ms) == clearing);
}

TEST_CASE("answers to the program before, on a meter slower than its time-out, are found out") {
  Bench bench(two_alike());
  bench.decoder().reset(0ms);
  CHECK(bench.sent_until(1000ms) == clearing);
  bench.receive(clearing_answer);  // to the program before, which asked for the power then
  CHECK(bench.sent_until(1010ms) == ask_8);
  bench.receive(answer(4, 77));
  CHECK(bench.sent_until(1020ms) == ask_20);
  bench.sent_until(1700ms);
  bench.receive(clearing_answer);  // ours: what came before it was not
  bench.sent_until(1990ms);
  bench.receive(answer(4, 10));
  bench.receive(answer(4, 2300));
  CHECK(bench.readings().empty());
}

TEST_CASE("a meter without an answer to the clearing question is given a long silence") {
  Bench bench(two_alike());
  bench.decoder().reset(0ms);
  Bytes sent;
  Duration now{0};
  while (sent != ask_8 && now < 20s) {
    sent = bench.sent_until(now += 10ms);
    if (!sent.empty() && sent != clearing) break;
  }
  CHECK(sent == ask_8);
  CHECK(now < 8s);
  CHECK(bench.out().faults.empty());
}

TEST_CASE("a failed request leaves its quantity out, and without power there is no reading") {
  Bench bench(two_alike());
  bench.sent_until(0ms);
  bench.receive(power_10);
  CHECK(bench.sent_until(10ms) == ask_20);
  bench.receive(refusal_2);
  REQUIRE(bench.out().readings.size() == 1);
  CHECK(bench.out().readings[0].values.get(Quantity::power) == Decimal{10, 0});
  CHECK_FALSE(bench.out().readings[0].values.has(Quantity::voltage));
  CHECK(bench.out().readings[0].at == Duration(0));  // the power's own time, not that of the refusal
  CHECK(bench.sent_until(1000ms) == ask_8);
  bench.receive(refusal_2);
  CHECK(bench.sent_until(1900ms).empty());
  CHECK(bench.out().readings.size() == 1);
}

TEST_CASE("NaN is no value: its quantity is missing, and nothing but NaN is no reading") {
  Bench bench(test::modbus_profile(
      {test::modbus_read(Quantity::power, 4, 0, float32), test::modbus_read(Quantity::voltage, 4, 2, float32)}));
  bench.sent_until(0ms);
  bench.receive(sealed(from_hex("11 04 08 7F C0 00 00 43 66 80 00")));
  CHECK(test::described(bench.out()) == "@0 voltage_v=230.5\n");
  bench.sent_until(1000ms);
  bench.receive(sealed(from_hex("11 04 08 7F C0 00 00 7F C0 00 00")));
  CHECK(bench.out().readings.size() == 1);
  CHECK(bench.out().faults.empty());
}

TEST_CASE("a lost port forgets half an answer and asks anew") {
  Bench bench(one_register());
  bench.sent_until(0ms);
  bench.receive(from_hex("11 04 02"));
  bench.sent_until(30ms);
  bench.decoder().reset(5300ms);
  CHECK(bench.sent_until(6299ms).empty());
  CHECK(bench.sent_until(6300ms) == clearing);
  bench.receive(clearing_answer);
  CHECK(bench.sent_until(6310ms) == ask_8);
  bench.receive(power_10);
  CHECK(bench.sent_until(6320ms) == second_clearing);
  bench.receive(second_clearing_answer);
  CHECK(bench.readings() == Texts{"10"});
  CHECK(bench.faults().empty());
  CHECK(bench.decoder().next_tick() == Duration(7000ms));
}

TEST_CASE("a line that never falls silent is asked all the same") {
  Bench bench(one_register());
  bench.sent_until(0ms);
  bench.receive(power_10);
  bool asked = false;
  for (auto now = 999ms; now < 2100ms && !asked; now += 1ms) {
    bench.receive(from_hex("5A"));
    asked = !bench.sent_until(now).empty();
  }
  CHECK(asked);
}

TEST_CASE("an hour of garbage is counted, and the next answer is found") {
  Bench bench(one_register());
  std::mt19937 random(90210);
  INFO("seed 90210");
  // 9600 baud bring 960 bytes a second.
  for (int second = 0; second < 3600; ++second) {
    bench.sent_until(second * 1000ms);
    Bytes garbage(960);
    for (std::byte& byte : garbage) byte = static_cast<std::byte>(random() & 0xFFU);
    bench.receive(garbage);
  }
  CHECK(bench.out().readings.empty());
  CHECK(bench.faults().size() > 3600);
  bench.out() = {};
  Duration now = 3600 * 1000ms;
  while (bench.sent_until(now) != ask_8) now += 100ms;
  bench.receive(power_10);
  CHECK(bench.readings() == Texts{"10"});
}

TEST_CASE("a live meter gives the same in any pieces") {
  std::mt19937 random(555);
  INFO("seed 555");
  std::vector<Bytes> rounds;
  for (unsigned i = 0; i < 300; ++i) {
    Bytes round;
    if (random() % 3 == 0)
      for (std::size_t n = random() % 30; n > 0; --n) round.push_back(static_cast<std::byte>(random() & 0xFFU));
    if (random() % 4 == 0) round = round + ask_8;
    Bytes frame = answer(4, i);
    if (random() % 5 == 0) frame[random() % frame.size()] ^= std::byte{0x20};
    if (random() % 7 == 0) frame.resize(random() % frame.size());
    round = round + frame;
    if (random() % 6 == 0) round = round + frame;
    rounds.push_back(round);
  }
  const auto run = [&](std::size_t longest) {
    Bench bench(one_register());
    Output all;
    for (std::size_t i = 0; i < rounds.size(); ++i) {
      bench.sent_until(static_cast<std::int64_t>(i) * 500ms);
      test::in_pieces(rounds[i], random, longest,
                      [&](std::span<const std::byte> piece) { bench.receive(Bytes(piece.begin(), piece.end())); });
    }
    return test::described(bench.out());
  };
  const std::string whole = run(100000);
  CHECK(run(1) == whole);
  CHECK(run(4) == whole);
}

}  // namespace nightwatt::drivers
