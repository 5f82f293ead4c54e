#include <catch2/catch.hpp>

#include "crc16.hpp"
#include "modbus/frame.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using test::Bytes;
using test::from_hex;
using test::operator+;
using enum RegisterType;
using enum RegisterOrder;

Bytes sealed(Bytes frame) {
  const std::uint16_t crc = crc16_modbus(frame);
  frame.push_back(static_cast<std::byte>(crc & 0xFFU));
  frame.push_back(static_cast<std::byte>(crc >> 8U));
  return frame;
}

const Bytes request_107 = from_hex("11 03 00 6B 00 03 76 87");
const Bytes answer_107 = from_hex("11 03 06 02 2B 00 00 00 64 C8 BA");

MeterProfile three_words() {
  return test::modbus_profile({test::modbus_read(Quantity::power, 3, 107, u16),
                               test::modbus_read(Quantity::voltage, 3, 108, u16),
                               test::modbus_read(Quantity::current, 3, 109, u16)});
}

/// Two requests: power from function 4, energy from function 3, unit 17.
MeterProfile two_requests() {
  return test::modbus_profile(
      {test::modbus_read(Quantity::power, 4, 8, u16), test::modbus_read(Quantity::energy, 3, 107, u16)});
}
const Bytes power_10 = from_hex("11 04 02 00 0A F8 F4");
Bytes energy_answer(unsigned value) {
  return sealed(from_hex("11 03 02") +
                Bytes{static_cast<std::byte>(value >> 8U), static_cast<std::byte>(value & 0xFFU)});
}

}  // namespace

TEST_CASE("the published answer 555, 0, 100 is one reading with its offset") {
  // Modbus Application Protocol V1.1b3, 6.3.
  CHECK(test::described(test::decode_whole(three_words(), answer_107)) == "@0 power_w=555 voltage_v=0 current_a=100\n");
  CHECK(test::described(test::decode_whole(three_words(), request_107 + answer_107)) ==
        "@8 power_w=555 voltage_v=0 current_a=100\n");
}

TEST_CASE("a public log's four floats read as the log's author did") {
  const MeterProfile profile = test::modbus_profile({test::modbus_read(Quantity::energy, 4, 0, float32, cdab),
                                                     test::modbus_read(Quantity::power_factor, 4, 2, float32, cdab),
                                                     test::modbus_read(Quantity::voltage, 4, 4, float32, cdab),
                                                     test::modbus_read(Quantity::power, 4, 6, float32, cdab)},
                                                    1);
  const Output out =
      test::decode_whole(profile, from_hex("01 04 10 51 24 45 B7 19 71 3F 5F 19 F9 43 0B 59 D1 45 D2 70 B9"));
  REQUIRE(out.readings.size() == 1);
  CHECK(out.faults.empty());
  const Values& values = out.readings[0].values;
  CHECK(values.get(Quantity::energy)->value() == Approx(5866.143).epsilon(1e-7));
  CHECK(values.get(Quantity::power_factor)->value() == Approx(0.871482).epsilon(1e-6));
  CHECK(values.get(Quantity::voltage)->value() == Approx(139.1015).epsilon(1e-6));
  CHECK(values.get(Quantity::power)->value() == Approx(6731.227).epsilon(1e-7));
}

TEST_CASE("a captured exception is a fault with its name and offset") {
  const std::string text = test::described(test::decode_whole(three_words(), request_107 + from_hex("11 83 02 C1 34")));
  CHECK(text == "@8 exception: unit 17 refused function 3, registers 107 to 109: illegal data address (exception 2)\n");
}

TEST_CASE("a flipped bit anywhere in an answer is a fault and never a reading") {
  for (std::size_t bit = 0; bit < answer_107.size() * 8; ++bit) {
    Bytes damaged = answer_107;
    damaged[bit / 8] ^= static_cast<std::byte>(1U << (bit % 8));
    const Output out = test::decode_whole(three_words(), damaged + answer_107);
    INFO("bit " << bit << "\n" << test::described(out));
    REQUIRE(out.readings.size() == 1);
    CHECK(out.readings[0].at_byte == answer_107.size());
    CHECK(out.faults.size() >= 1);
  }
}

TEST_CASE("a wrong check and a cut answer are told apart") {
  Bytes wrong = answer_107;
  wrong[4] ^= std::byte{1};
  CHECK(test::described(test::decode_whole(three_words(), wrong + answer_107)) ==
        "@11 power_w=555 voltage_v=0 current_a=100\n"
        "@0 checksum: an answer to function 3, registers 107 to 109 whose check is wrong\n");
  const Bytes cut(answer_107.begin(), answer_107.begin() + 7);
  CHECK(test::described(test::decode_whole(three_words(), cut + answer_107 + cut)) ==
        "@7 power_w=555 voltage_v=0 current_a=100\n"
        "@0 malformed: an answer cut short: 7 of 11 bytes\n"
        "@18 malformed: an answer cut short: 7 of 11 bytes\n");
}

TEST_CASE("a few bytes of 00 and FF before an answer are the line's, other noise is a fault") {
  CHECK(test::described(test::decode_whole(three_words(), from_hex("00 FF") + answer_107)) ==
        "@2 power_w=555 voltage_v=0 current_a=100\n");
  CHECK(test::described(test::decode_whole(three_words(), from_hex("5A 5A 5A") + answer_107)) ==
        "@3 power_w=555 voltage_v=0 current_a=100\n"
        "@0 malformed: 3 bytes that are no frame: 5A 5A 5A\n");
}

TEST_CASE("a reading needs the answers to all requests, and none of another round") {
  const Bytes good = energy_answer(500) + power_10 + energy_answer(501) + power_10;
  CHECK(test::described(test::decode_whole(two_requests(), good)) ==
        "@0 power_w=10 energy_wh=500\n@14 power_w=10 energy_wh=501\n");
  Bytes damaged = power_10;
  damaged[4] ^= std::byte{0x40};
  const Output out = test::decode_whole(two_requests(), energy_answer(500) + damaged + energy_answer(501) + power_10);
  REQUIRE(out.readings.size() == 1);
  CHECK(out.readings[0].at_byte == 14);
  CHECK(out.readings[0].values.get(Quantity::energy) == Decimal{501, 0});
  CHECK(out.faults.size() == 1);
}

TEST_CASE("an answer of another unit is named") {
  MeterProfile profile = three_words();
  profile.protocol.find<ModbusRtuSettings>()->unit = 5;
  CHECK(test::described(test::decode_whole(profile, answer_107)) ==
        "@0 mismatch: an answer of unit 17, the profile says unit 5\n");
}

TEST_CASE("where the capture has requests they say what an answer is of") {
  // Another master asks for registers 100 to 109 in one piece; the three wanted ones lie inside.
  const Bytes request = sealed(from_hex("11 03 00 64 00 0A"));
  const Bytes answer = sealed(from_hex("11 03 14 00 00 00 00 00 00 00 00 00 00 00 00 00 00 02 2B 00 00 00 64"));
  CHECK(test::described(test::decode_whole(three_words(), request + answer)) ==
        "@8 power_w=555 voltage_v=0 current_a=100\n");
  // The same length from elsewhere is no reading of ours.
  const Bytes elsewhere = sealed(from_hex("11 03 01 00 00 03"));
  CHECK(test::described(test::decode_whole(three_words(), elsewhere + answer_107)).empty());
  // A doubled answer answers nothing.
  CHECK(test::decode_whole(three_words(), request_107 + answer_107 + answer_107).readings.size() == 1);
}

TEST_CASE("a request without an answer is a fault, an echoed one is not") {
  const Bytes other = sealed(from_hex("11 03 00 00 00 01"));
  CHECK(test::described(test::decode_whole(three_words(), other + request_107 + answer_107)) ==
        "@16 power_w=555 voltage_v=0 current_a=100\n"
        "@0 timeout: no answer to function 3, register 0\n");
  CHECK(test::described(test::decode_whole(three_words(), request_107 + request_107 + answer_107)) ==
        "@16 power_w=555 voltage_v=0 current_a=100\n");
}

TEST_CASE("a capture gives the same in any pieces") {
  std::mt19937 random(7001);
  INFO("seed 7001");
  Bytes stream;
  std::size_t good = 0;
  for (int i = 0; i < 400; ++i) {
    switch (random() % 6) {
      case 0: {
        for (std::size_t n = random() % 40; n > 0; --n) stream.push_back(static_cast<std::byte>(random() & 0xFFU));
        break;
      }
      case 1:
        stream = stream + Bytes(answer_107.begin(), answer_107.begin() + 1 + static_cast<int>(random() % 10));
        break;
      case 2: {
        Bytes wrong = answer_107;
        wrong[random() % wrong.size()] ^= std::byte{0x10};
        stream = stream + wrong;
        break;
      }
      default:
        stream = stream + answer_107;
        ++good;
    }
  }
  const Output whole = test::decode_whole(three_words(), stream);
  CHECK(whole.readings.size() == good);  // after garbage the next good frame is found, every time
  for (const std::size_t longest : {std::size_t{1}, std::size_t{3}, std::size_t{17}, std::size_t{300}}) {
    Output pieces;
    auto decoder = make_capture_decoder(three_words()).value();
    test::in_pieces(stream, random, longest, [&](std::span<const std::byte> piece) { decoder->feed(piece, pieces); });
    decoder->finish(pieces);
    CHECK(test::described(pieces) == test::described(whole));
  }
}

TEST_CASE("an answer whose first eight bytes would pass for a request is an answer") {
  // Any six bytes and their check: here the head of an answer of 16 data bytes.
  const Bytes head = sealed(from_hex("01 04 10 51 24 45"));
  const Bytes answer = sealed(head + from_hex("3F 5F 19 F9 43 0B 59 D1 45 D2 70"));
  REQUIRE(answer.size() == 21);
  const MeterProfile profile = test::modbus_profile(
      {test::modbus_read(Quantity::power, 4, 0, u64), test::modbus_read(Quantity::energy, 4, 4, u64, abcd, {1, -9})},
      1);
  const Output out = test::decode_whole(profile, answer + answer);
  CHECK(out.readings.size() + out.faults.size() >= 2);
  for (const Fault& fault : out.faults) CHECK(fault.kind == FaultKind::range);
  // At the end of a capture nothing more comes: then it is what it can be.
  CHECK(modbus::frame_at(head, true).frame->kind == modbus::FrameKind::other);
  CHECK(modbus::frame_at(head, false).needs_more);
}

TEST_CASE("the same quantity twice, an unknown function and a register beyond the last are refused") {
  const auto error = [](const MeterProfile& profile) {
    const auto decoder = make_capture_decoder(profile);
    REQUIRE_FALSE(decoder.has_value());
    CHECK(decoder.error().kind == ErrorKind::input);
    return decoder.error().message;
  };
  CHECK(error(test::modbus_profile(
            {test::modbus_read(Quantity::power, 3, 1, u16), test::modbus_read(Quantity::power, 3, 2, u16)})) ==
        "modbus-rtu: power is read twice");
  CHECK(error(test::modbus_profile({test::modbus_read(Quantity::power, 6, 1, u16)})).find("function 6") !=
        std::string::npos);
  CHECK(error(test::modbus_profile({test::modbus_read(Quantity::power, 3, 65535, u32)})).find("65535") !=
        std::string::npos);
  CHECK(error(test::modbus_profile({})).find("nothing to read") != std::string::npos);
}

}  // namespace nightwatt::drivers
