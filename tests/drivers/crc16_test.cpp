#include <catch2/catch.hpp>
#include <fstream>
#include <sstream>

#include "crc16.hpp"
#include "modbus/frame.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

TEST_CASE("the check of \"123456789\" is 0x4B37") {
  // The check value that catalogues of CRC algorithms give for CRC-16/MODBUS.
  CHECK(crc16_modbus(test::from_text("123456789")) == 0x4B37);
}

TEST_CASE("the check of \"123456789\" with a start of 0 is 0xBB3D") {
  // The check value that catalogues of CRC algorithms give for CRC-16/ARC.
  CHECK(crc16_arc(test::from_text("123456789")) == 0xBB3D);
}

TEST_CASE("the check of 02 07 is 0x1241, sent 41 12") {
  // Modbus over Serial Line V1.02, appendix B (from memory).
  CHECK(crc16_modbus(test::from_hex("02 07")) == 0x1241);
  CHECK(crc16_modbus(test::from_hex("02 07 41 12")) == 0);
}

TEST_CASE("the check is the bit by bit division of the specification") {
  // Serial Line V1.02, 6.2.2: shift right, and where a one falls out, exclusive or with 0xA001.
  std::mt19937 random(41);
  for (std::size_t length = 0; length < 256; ++length) {
    test::Bytes bytes(length);
    for (std::byte& byte : bytes) byte = static_cast<std::byte>(random() & 0xFFU);
    std::uint32_t crc = 0xFFFF;
    for (const std::byte byte : bytes) {
      crc ^= std::to_integer<std::uint32_t>(byte);
      for (int i = 0; i < 8; ++i) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U;
    }
    REQUIRE(crc16_modbus(bytes) == crc);
  }
}

TEST_CASE("every published frame is found whole and at once") {
  std::ifstream file(std::string(NIGHTWATT_TEST_DATA) + "/modbus/frames.txt");
  REQUIRE(file);
  int frames = 0;
  for (std::string line; std::getline(file, line);) {
    if (line.empty() || line[0] == '#') continue;
    INFO(line);
    const test::Bytes bytes = test::from_hex(line.substr(0, line.find('|')));
    for (std::size_t length = 0; length < bytes.size(); ++length) {
      const modbus::FrameSearch cut = modbus::frame_at(std::span(bytes).first(length));
      CHECK_FALSE(cut.frame.has_value());
      CHECK(cut.needs_more);
    }
    const modbus::FrameSearch found = modbus::frame_at(bytes);
    REQUIRE(found.frame.has_value());
    CHECK(found.frame->length == bytes.size());
    ++frames;
  }
  CHECK(frames == 7);
}

TEST_CASE("requests are built as the specification prints them") {
  const auto bytes = [](const modbus::Request& request) {
    const auto frame = modbus::request_frame(request);
    return test::Bytes(frame.begin(), frame.end());
  };
  CHECK(bytes({17, 3, 107, 3}) == test::from_hex("11 03 00 6B 00 03 76 87"));  // V1.1b3, 6.3
  CHECK(bytes({17, 4, 8, 1}) == test::from_hex("11 04 00 08 00 01 B2 98"));    // V1.1b3, 6.4
}

TEST_CASE("exceptions have the standard's names") {
  // Application Protocol V1.1b3, 7.
  CHECK(modbus::exception_name(1) == "illegal function");
  CHECK(modbus::exception_name(2) == "illegal data address");
  CHECK(modbus::exception_name(3) == "illegal data value");
  CHECK(modbus::exception_name(6) == "server device busy");
  CHECK(modbus::exception_name(11) == "gateway target device failed to respond");
}

}  // namespace nightwatt::drivers
