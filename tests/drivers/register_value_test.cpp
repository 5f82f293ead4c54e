#include <catch2/catch.hpp>

#include "modbus/register_value.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

std::string read(std::string_view hex, RegisterType type, RegisterOrder order = RegisterOrder::abcd,
                 Decimal scale = {1, 0}) {
  const RegisterValue value = decode_registers(test::from_hex(hex), type, order, scale);
  if (value.state == RegisterState::none) return "none";
  if (value.state == RegisterState::range) return "range";
  return value.value.text();
}

using enum RegisterType;
using enum RegisterOrder;

}  // namespace

TEST_CASE("230.5 is 0x43668000 in each of the four orders") {
  // IEEE 754 binary32; the orders as the wire bytes that a libmodbus server was seen to send.
  CHECK(read("43 66 80 00", float32, abcd) == "230.5");
  CHECK(read("80 00 43 66", float32, cdab) == "230.5");
  CHECK(read("66 43 00 80", float32, badc) == "230.5");
  CHECK(read("00 80 66 43", float32, dcba) == "230.5");
}

TEST_CASE("integers of 32 bits use the same four orders") {
  // 0x01020304 = 16909060
  CHECK(read("01 02 03 04", u32, abcd) == "16909060");
  CHECK(read("03 04 01 02", u32, cdab) == "16909060");
  CHECK(read("02 01 04 03", u32, badc) == "16909060");
  CHECK(read("04 03 02 01", u32, dcba) == "16909060");
}

TEST_CASE("64-bit values repeat the pattern over four words") {
  // 0x0001020304 = 16909060 in the low half of eight bytes a..h
  CHECK(read("00 00 00 00 01 02 03 04", u64, abcd) == "16909060");
  CHECK(read("03 04 01 02 00 00 00 00", u64, cdab) == "16909060");
  CHECK(read("00 00 00 00 02 01 04 03", u64, badc) == "16909060");
  CHECK(read("04 03 02 01 00 00 00 00", u64, dcba) == "16909060");
  // IEEE 754 binary64: 230.5 = 0x406CD00000000000
  CHECK(read("40 6C D0 00 00 00 00 00", float64, abcd) == "230.5");
  CHECK(read("00 00 00 00 D0 00 40 6C", float64, cdab) == "230.5");
  CHECK(read("6C 40 00 D0 00 00 00 00", float64, badc) == "230.5");
  CHECK(read("00 00 00 00 00 D0 6C 40", float64, dcba) == "230.5");
}

TEST_CASE("one register is big-endian, and little-endian where the bytes of words are swapped") {
  CHECK(read("01 02", u16, abcd) == "258");
  CHECK(read("01 02", u16, cdab) == "258");
  CHECK(read("02 01", u16, badc) == "258");
  CHECK(read("02 01", u16, dcba) == "258");
}

TEST_CASE("signed types are two's complement") {
  CHECK(read("FF FE", s16) == "-2");
  CHECK(read("80 00", s16) == "-32768");
  CHECK(read("FF FF FF FE", s32) == "-2");
  CHECK(read("80 00 00 00", s32) == "-2147483648");
  CHECK(read("FF FF FF FF FF FF FF FE", s64) == "-2");
}

TEST_CASE("a scale is exact and keeps the meter's digits") {
  CHECK(read("09 03", u16, abcd, {1, -1}) == "230.7");
  CHECK(read("09 C4", u16, abcd, {1, -2}) == "25.00");
  CHECK(read("09 C4", u16, abcd, {-1, -2}) == "-25.00");
  CHECK(read("00 07", u16, abcd, {3, -1}) == "2.1");
}

TEST_CASE("a float is the shortest decimal that reads back as it") {
  // 0.1f = 0x3DCCCCCD (IEEE 754), which is 0.100000001490116...
  CHECK(read("3D CC CC CD", float32) == "0.1");
  // 0x45B75124: neighbours are 0.0005 apart there, so eight digits are needed and enough.
  CHECK(read("51 24 45 B7", float32, cdab) == "5866.1426");
}

TEST_CASE("NaN and the infinities are no value") {
  // IEEE 754: exponent all ones.
  CHECK(read("7F C0 00 00", float32) == "none");
  CHECK(read("FF FF FF FF", float32) == "none");
  CHECK(read("7F 80 00 00", float32) == "none");
  CHECK(read("FF 80 00 00", float32) == "none");
  CHECK(read("7F F8 00 00 00 00 00 00", float64) == "none");
}

TEST_CASE("what no Decimal holds is out of range, never wrapped") {
  CHECK(read("FF FF FF FF FF FF FF FF", u64) == "range");
  CHECK(read("7F FF FF FF FF FF FF FF", s64) == "range");
  CHECK(read("80 00 00 00 00 00 00 00", s64) == "range");
  CHECK(read("7F 7F FF FF", float32) == "range");
  // 10^10 counts of a thousandth are 10^7.
  CHECK(read("00 00 00 02 54 0B E4 00", u64, abcd, {1, -3}) == "10000000.000");
}

}  // namespace nightwatt::drivers
