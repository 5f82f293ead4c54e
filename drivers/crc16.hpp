// Cyclic checks of 16 bits: of Modbus RTU frames, P1 telegrams, SML files and messages.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

namespace nightwatt::drivers {

/// CRC-16/MODBUS (Modbus over Serial Line V1.02, 6.2.2): polynomial 0x8005 reflected, start 0xFFFF. Sent low byte
/// first, so that the check over a whole good frame is 0.
[[nodiscard]] std::uint16_t crc16_modbus(std::span<const std::byte> bytes);

/// CRC-16/ARC (DSMR P1 companion standard 5.0.2, 6.2): the same polynomial, start 0.
[[nodiscard]] std::uint16_t crc16_arc(std::span<const std::byte> bytes);

/// CRC-16/X-25 (DIN EN 62056-46): polynomial 0x1021 reflected, start 0xFFFF, inverted at the end. SML's check.
[[nodiscard]] std::uint16_t crc16_x25(std::span<const std::byte> bytes);
/// CRC-16/KERMIT: the same polynomial, start 0, not inverted. What some SML meters take in its place.
[[nodiscard]] std::uint16_t crc16_kermit(std::span<const std::byte> bytes);

}  // namespace nightwatt::drivers
