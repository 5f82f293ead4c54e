// Writes a file whole or not at all.
#pragma once

#include <string>
#include <string_view>

#include "measure/result.hpp"

namespace nightwatt::query {

/// Beside `path` first, then in its place: whoever looks finds the old file or the new one, never a part. Error kind
/// unusable, naming the file.
[[nodiscard]] Result<void> write_whole_file(const std::string& path, std::string_view bytes);

}  // namespace nightwatt::query
