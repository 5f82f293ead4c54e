// The checksum behind what a store keeps.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "measure/signal/bytes.hpp"

namespace nightwatt::storage {

/// CRC-32 of ISO 3309 (polynomial 04C11DB7 reflected, start and final value FFFFFFFF; "123456789" gives CBF43926).
[[nodiscard]] std::uint32_t crc32(std::string_view bytes);
/// Appends the checksum of what is there, four bytes, lowest first.
void put_crc(std::string& out);
/// What stands before a checksum that fits; nothing if it does not.
[[nodiscard]] std::optional<std::string_view> checked_content(std::string_view bytes);

}  // namespace nightwatt::storage
