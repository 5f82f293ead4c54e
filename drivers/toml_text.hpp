// Values as a profile file writes them.
#pragma once

#include <string>
#include <string_view>

#include "measure/signal/time.hpp"

namespace nightwatt::drivers {

/// `key = "text"` and a line end; quotes and backslashes in the text are kept.
[[nodiscard]] std::string text_entry(std::string_view key, std::string_view text);
[[nodiscard]] std::string number_entry(std::string_view key, long long number);
[[nodiscard]] std::string real_entry(std::string_view key, double number);
[[nodiscard]] std::string seconds_entry(std::string_view key, Duration length);
/// A text between quotes.
[[nodiscard]] std::string toml_quoted(std::string_view text);

}  // namespace nightwatt::drivers
