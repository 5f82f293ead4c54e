#include "p1_meter.hpp"

#include <cstdio>

#include "field_text.hpp"
#include "register_lines.hpp"

namespace nightwatt::sim {
namespace {

/// DSMR P1 5.0.2, 6.2: x16 + x15 + x2 + 1, least significant bit first, start 0; bit by bit, as it is written there.
unsigned check_of(std::string_view text) {
  unsigned crc = 0;
  for (const char c : text) {
    crc ^= static_cast<unsigned char>(c);
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U;
  }
  return crc;
}

}  // namespace

P1Meter::P1Meter(const MeterProfile& profile, Script script, std::uint64_t seed)
    : PushingMeter(profile, std::move(script), seed) {}

std::string P1Meter::frame(double at_s, std::uint64_t, Fate fate, SentValues& values) const {
  std::string text = old_version() ? "/SKP3SKERRY-POINT\r\n\r\n" : "/SKP5\\SKERRY-POINT\r\n\r\n1-3:0.2.8(50)\r\n";
  text += "0-0:96.1.1(534B455252592D31)\r\n";
  text += register_lines(profile(), model(), at_s, {}, values);
  text += old_version() ? "0-1:24.3.0(260105210000)(00)(60)(1)(0-1:24.2.1)(m3)\r\n(00123.456)\r\n"
                        : "0-0:96.13.0()\r\n0-1:24.1.0(003)\r\n0-1:24.2.1(260105210000W)(00123.456*m3)\r\n";
  text += "!";
  if (!old_version()) {
    char check[16];
    std::snprintf(check, sizeof check, "%04X", check_of(text) ^ (fate == Fate::checksum ? 0x40U : 0U));
    text += check;
  }
  return text + "\r\n";
}

std::vector<std::byte> P1Meter::on_line(std::string_view text) const {
  return old_version() ? with_even_parity(text) : to_bytes(text);
}

}  // namespace nightwatt::sim
