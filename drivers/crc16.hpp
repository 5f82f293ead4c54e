// The cyclic check of Modbus RTU frames.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

namespace nightwatt::drivers {

/// CRC-16/MODBUS (Modbus over Serial Line V1.02, 6.2.2): polynomial 0x8005 reflected, start 0xFFFF. Sent low byte
/// first, so that the check over a whole good frame is 0.
[[nodiscard]] std::uint16_t crc16_modbus(std::span<const std::byte> bytes);

}  // namespace nightwatt::drivers
