// A file that holds one secret and nothing else.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

#include "measure/signal/result.hpp"

namespace nightwatt::config {

/// `WHAT PATH ...`, ErrorKind::input: how every complaint about such a file begins. `what` is "token file", say.
[[nodiscard]] tl::unexpected<Error> refuse_secret_file(std::string_view what, const std::string& path,
                                                       const std::string& why);

/// The file's content without a line break at its end, at most `limit` bytes and one, so that a longer one is seen to
/// be. A file is refused that others than its owner and group may read, or others than its owner change.
[[nodiscard]] Result<std::string> read_secret_file(std::string_view what, const std::string& path, std::size_t limit);

}  // namespace nightwatt::config
