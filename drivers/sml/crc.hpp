// The cyclic checks of SML files and messages.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

namespace nightwatt::drivers::sml {

/// CRC-16/X-25 (DIN EN 62056-46): polynomial 0x1021 reflected, start 0xFFFF, inverted at the end. The standard's check.
[[nodiscard]] std::uint16_t crc16_x25(std::span<const std::byte> bytes);
/// CRC-16/KERMIT: the same polynomial, start 0, not inverted. What some meters take in its place.
[[nodiscard]] std::uint16_t crc16_kermit(std::span<const std::byte> bytes);

}  // namespace nightwatt::drivers::sml
