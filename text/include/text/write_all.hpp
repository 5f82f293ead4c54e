// Writes a text to a descriptor, all of it.
#pragma once

#include <string_view>

namespace nightwatt::text {

/// Goes on after interrupts and short writes. 0, or the number (errno) of what kept it from writing the rest.
[[nodiscard]] int write_all(int descriptor, std::string_view text);

}  // namespace nightwatt::text
