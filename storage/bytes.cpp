#include "bytes.hpp"

#include <boost/crc.hpp>

namespace nightwatt::storage {
namespace {

constexpr std::size_t crc_bytes = 4;

}  // namespace

std::uint32_t crc32(std::string_view bytes) {
  boost::crc_32_type crc;
  crc.process_bytes(bytes.data(), bytes.size());
  return crc.checksum();
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
