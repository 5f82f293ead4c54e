#include "crc16.hpp"

#include <array>

namespace nightwatt::drivers {

namespace {

using Table = std::array<std::uint16_t, 256>;

constexpr Table make_table(std::uint16_t reflected_polynomial) {
  Table table{};
  for (std::size_t i = 0; i < table.size(); ++i) {
    auto crc = static_cast<std::uint16_t>(i);
    for (int bit = 0; bit < 8; ++bit)
      crc = static_cast<std::uint16_t>((crc & 1U) != 0 ? (crc >> 1U) ^ reflected_polynomial : crc >> 1U);
    table[i] = crc;
  }
  return table;
}

constexpr Table of_8005 = make_table(0xA001);
constexpr Table of_1021 = make_table(0x8408);

std::uint16_t crc16(const Table& table, std::span<const std::byte> bytes, std::uint16_t crc) {
  for (const std::byte byte : bytes)
    crc = static_cast<std::uint16_t>((crc >> 8U) ^ table[(crc ^ std::to_integer<unsigned>(byte)) & 0xFFU]);
  return crc;
}

}  // namespace

std::uint16_t crc16_modbus(std::span<const std::byte> bytes) {
  return crc16(of_8005, bytes, 0xFFFF);
}

std::uint16_t crc16_arc(std::span<const std::byte> bytes) {
  return crc16(of_8005, bytes, 0);
}

std::uint16_t crc16_x25(std::span<const std::byte> bytes) {
  return static_cast<std::uint16_t>(crc16(of_1021, bytes, 0xFFFF) ^ 0xFFFFU);
}

std::uint16_t crc16_kermit(std::span<const std::byte> bytes) {
  return crc16(of_1021, bytes, 0);
}

}  // namespace nightwatt::drivers
