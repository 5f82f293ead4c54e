#include "sml/crc.hpp"

#include <array>

namespace nightwatt::drivers::sml {

namespace {

constexpr std::uint16_t reflected_polynomial = 0x8408;

constexpr std::array<std::uint16_t, 256> make_table() {
  std::array<std::uint16_t, 256> table{};
  for (std::size_t i = 0; i < table.size(); ++i) {
    auto crc = static_cast<std::uint16_t>(i);
    for (int bit = 0; bit < 8; ++bit)
      crc = static_cast<std::uint16_t>((crc & 1U) != 0 ? (crc >> 1U) ^ reflected_polynomial : crc >> 1U);
    table[i] = crc;
  }
  return table;
}

constexpr std::array<std::uint16_t, 256> table = make_table();

std::uint16_t crc16(std::span<const std::byte> bytes, std::uint16_t crc) {
  for (const std::byte byte : bytes)
    crc = static_cast<std::uint16_t>((crc >> 8U) ^ table[(crc ^ std::to_integer<unsigned>(byte)) & 0xFFU]);
  return crc;
}

}  // namespace

std::uint16_t crc16_x25(std::span<const std::byte> bytes) {
  return static_cast<std::uint16_t>(crc16(bytes, 0xFFFF) ^ 0xFFFFU);
}

std::uint16_t crc16_kermit(std::span<const std::byte> bytes) {
  return crc16(bytes, 0);
}

}  // namespace nightwatt::drivers::sml
