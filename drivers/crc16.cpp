#include "crc16.hpp"

#include <boost/crc.hpp>

namespace nightwatt::drivers {

namespace {

// All four take and give the lowest bit first.
template <std::uint16_t polynomial, std::uint16_t begin, std::uint16_t flip>
std::uint16_t crc16(std::span<const std::byte> bytes) {
  boost::crc_optimal<16, polynomial, begin, flip, true, true> crc;
  crc.process_bytes(bytes.data(), bytes.size());
  return static_cast<std::uint16_t>(crc.checksum());
}

}  // namespace

std::uint16_t crc16_modbus(std::span<const std::byte> bytes) {
  return crc16<0x8005, 0xFFFF, 0>(bytes);
}

std::uint16_t crc16_arc(std::span<const std::byte> bytes) {
  return crc16<0x8005, 0, 0>(bytes);
}

std::uint16_t crc16_x25(std::span<const std::byte> bytes) {
  return crc16<0x1021, 0xFFFF, 0xFFFF>(bytes);
}

std::uint16_t crc16_kermit(std::span<const std::byte> bytes) {
  return crc16<0x1021, 0, 0>(bytes);
}

}  // namespace nightwatt::drivers
