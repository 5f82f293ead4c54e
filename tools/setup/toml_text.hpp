// Text as TOML writes it.
#pragma once

#include <string>

namespace nightwatt::setup {

/// As a basic string, in its quotes. Control characters are not escaped: what is written is read back and judged.
[[nodiscard]] std::string toml_quoted(const std::string& text);

}  // namespace nightwatt::setup
