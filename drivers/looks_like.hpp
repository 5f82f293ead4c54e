// What a port says, told by its bytes alone: for a profile that does not fit it.
#pragma once

#include <cstddef>
#include <span>
#include <string_view>

namespace nightwatt::drivers {

/// "P1 telegrams", "JSON lines", ...: words that complete "this looks like". Never empty.
[[nodiscard]] std::string_view looks_like(std::span<const std::byte> bytes);

}  // namespace nightwatt::drivers
