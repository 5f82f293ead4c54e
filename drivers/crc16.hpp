// Cyclic checks of 16 bits: of Modbus RTU frames and of P1 telegrams.
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

}  // namespace nightwatt::drivers
