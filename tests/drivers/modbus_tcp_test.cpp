#include <catch2/catch.hpp>

#include "modbus/tcp_frame.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using test::Bytes;
using test::from_hex;
using test::operator+;
using namespace std::chrono_literals;
using enum RegisterType;

/// Power in register 8, voltage in 20: answers of one length.
MeterProfile two_alike() {
  MeterProfile profile = test::modbus_profile(
      {test::modbus_read(Quantity::power, 4, 8, u16), test::modbus_read(Quantity::voltage, 4, 20, u16)});
  ModbusTcpSettings settings;
  settings.unit = 17;
  profile.protocol = settings;
  return profile;
}

Bytes question(unsigned transaction, const char* pdu) {
  Bytes frame = from_hex("00 00 00 00 00 06 11");
  frame[1] = static_cast<std::byte>(transaction);
  return frame + from_hex(pdu);
}
Bytes answer(unsigned transaction, unsigned value) {
  Bytes frame = from_hex("00 00 00 00 00 05 11 04 02 00 00");
  frame[1] = static_cast<std::byte>(transaction);
  frame[9] = static_cast<std::byte>(value >> 8U);
  frame[10] = static_cast<std::byte>(value & 0xFFU);
  return frame;
}

class Bench {
 public:
  explicit Bench(const MeterProfile& profile) : decoder_(make_decoder(profile).value()) {}
  Bytes sent_until(Duration now) {
    out.send.clear();
    for (int i = 0; i < 1000 && *decoder_->next_tick() <= now; ++i) {
      now_ = std::max(now_, *decoder_->next_tick());
      decoder_->tick(now_, out);
    }
    now_ = now;
    return out.send;
  }
  Bytes receive(const Bytes& bytes) {
    out.send.clear();
    decoder_->feed(bytes, now_, out);
    return out.send;
  }
  Decoder& decoder() { return *decoder_; }
  Output out;

 private:
  std::unique_ptr<Decoder> decoder_;
  Duration now_{0};
};

}  // namespace

TEST_CASE("a question over TCP has the header of the implementation guide and the standard's body") {
  // Application Protocol V1.1b3, 6.3: registers 108 to 110; Implementation Guide V1.0b, 3.1.3: the header.
  const auto frame = modbus::tcp_request_frame({17, 3, 107, 3}, 0x1234);
  CHECK(Bytes(frame.begin(), frame.end()) == from_hex("12 34 00 00 00 06 11 03 00 6B 00 03"));
}

TEST_CASE("over TCP an answer is known by its transaction, however late it is") {
  MeterProfile slow = two_alike();
  slow.interval = 5s;
  Bench bench(slow);
  CHECK(bench.sent_until(0ms) == question(1, "04 00 08 00 01"));
  CHECK(bench.sent_until(1000ms) == question(2, "04 00 08 00 01"));
  // To the first try: the question is the same.
  CHECK(bench.receive(answer(1, 251)) == question(3, "04 00 14 00 01"));
  CHECK(bench.receive(answer(2, 252)).empty());  // not the voltage
  CHECK(bench.receive(answer(3, 2304)).empty());
  CHECK(test::described(bench.out) ==
        "@0 power_w=251 voltage_v=2304\n"
        "@11 mismatch: a frame of unit 17, transaction 2, that nobody waits for: late, or to another question\n");
}

TEST_CASE("over TCP a refusal is one fault, silence is a fault after the retries") {
  Bench bench(two_alike());
  bench.sent_until(0ms);
  bench.receive(answer(1, 251));
  bench.receive(from_hex("00 02 00 00 00 03 11 84 02"));
  CHECK(test::described(bench.out) ==
        "@0 power_w=251\n@11 exception: unit 17 refused function 4, register 20: illegal data address (exception 2)\n");
  bench.out = {};
  CHECK(bench.sent_until(1000ms) == question(3, "04 00 08 00 01"));
  bench.sent_until(3999ms);
  CHECK(bench.out.faults.empty());
  bench.sent_until(4000ms);
  REQUIRE(bench.out.faults.size() == 1);
  CHECK(bench.out.faults[0].kind == FaultKind::timeout);
}

TEST_CASE("a lost connection forgets half a frame, and what comes after is asked anew") {
  Bench bench(two_alike());
  bench.sent_until(0ms);
  bench.receive(from_hex("00 01 00 00 00"));
  bench.decoder().reset(2500ms);
  CHECK(bench.sent_until(3000ms) == question(2, "04 00 08 00 01"));
  bench.receive(answer(1, 77));  // of the lost connection
  CHECK(bench.out.readings.empty());
  bench.receive(answer(2, 251));
  bench.receive(answer(3, 2304));
  CHECK(bench.out.readings.size() == 1);
}

TEST_CASE("garbage on a connection is told, and the next frame is found") {
  Bench bench(two_alike());
  bench.sent_until(0ms);
  bench.receive(from_hex("47 45 54 20 2F 0D 0A FF") + answer(1, 251));
  bench.receive(answer(2, 2304));
  CHECK(test::described(bench.out) ==
        "@8 power_w=251 voltage_v=2304\n@0 malformed: 8 bytes that are no Modbus TCP frame\n");
}

TEST_CASE("a captured connection is read with its questions or without") {
  const Bytes with = question(1, "04 00 14 00 01") + answer(1, 2304) + question(2, "04 00 08 00 01") + answer(2, 251);
  CHECK(test::described(test::decode_whole(two_alike(), with)) == "@12 power_w=251 voltage_v=2304\n");
  const Bytes without = answer(1, 251) + answer(2, 2304) + answer(3, 252) + answer(4, 2305);
  CHECK(test::described(test::decode_whole(two_alike(), without)) ==
        "@0 power_w=251 voltage_v=2304\n@22 power_w=252 voltage_v=2305\n");
}

TEST_CASE("Modbus over TCP is read the same in any pieces") {
  std::mt19937 random(502);
  INFO("seed 502");
  std::vector<Bytes> rounds;
  for (unsigned i = 0; i < 200; ++i) {
    Bytes round = answer(static_cast<unsigned>(1 + random() % 250), i);
    if (random() % 4 == 0)
      for (std::size_t n = random() % 20; n > 0; --n) round.push_back(static_cast<std::byte>(random() & 0xFFU));
    if (random() % 7 == 0) round.resize(random() % round.size());
    rounds.push_back(round);
  }
  const auto run = [&](std::size_t longest) {
    Bench bench(two_alike());
    for (std::size_t i = 0; i < rounds.size(); ++i) {
      bench.sent_until(static_cast<std::int64_t>(i) * 300ms);
      test::in_pieces(rounds[i], random, longest,
                      [&](std::span<const std::byte> piece) { bench.receive(Bytes(piece.begin(), piece.end())); });
    }
    return test::described(bench.out);
  };
  const std::string whole = run(100000);
  CHECK(run(1) == whole);
  CHECK(run(4) == whole);
}

}  // namespace nightwatt::drivers
