#include "bytes.hpp"

#include <array>

namespace nightwatt::storage {
namespace {

constexpr std::array<std::uint32_t, 256> make_table() {
  std::array<std::uint32_t, 256> table{};
  for (std::uint32_t i = 0; i < 256; ++i) {
    std::uint32_t crc = i;
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xEDB88320U : crc >> 1U;
    table[i] = crc;
  }
  return table;
}
constexpr auto table = make_table();
constexpr std::size_t crc_bytes = 4;

}  // namespace

std::uint32_t crc32(std::string_view bytes) {
  std::uint32_t crc = 0xFFFFFFFFU;
  for (const char c : bytes) crc = table[(crc ^ static_cast<std::uint8_t>(c)) & 0xFFU] ^ (crc >> 8U);
  return ~crc;
}

void put_crc(std::string& out) {
  const std::uint32_t crc = crc32(out);
  for (unsigned i = 0; i < crc_bytes; ++i) put_byte(out, (crc >> (8 * i)) & 0xFFU);
}

std::optional<std::string_view> checked_content(std::string_view bytes) {
  if (bytes.size() < crc_bytes) return std::nullopt;
  const std::string_view content = bytes.substr(0, bytes.size() - crc_bytes);
  std::uint32_t stored = 0;
  for (std::size_t i = 0; i < crc_bytes; ++i)
    stored |= static_cast<std::uint32_t>(static_cast<std::uint8_t>(bytes[content.size() + i])) << (8 * i);
  if (crc32(content) != stored) return std::nullopt;
  return content;
}

}  // namespace nightwatt::storage
