// The config's [page]: where the status page listens and who may look.
#pragma once

#include <string>

#include "checked_table.hpp"
#include "config/config.hpp"

namespace nightwatt::config {

/// What is wrong goes to the table's problems. A token file is not read here: whoever reads the config to find the
/// store need not be able to.
[[nodiscard]] PageConfig parse_page(CheckedTable table);

/// Of a token: too long to be guessed at the rate the page allows, short enough for a header. Printable ASCII without
/// blanks, which no shell, browser or proxy changes on the way.
inline constexpr std::size_t shortest_token = 16;
inline constexpr std::size_t longest_token = 256;
/// Empty: it is good. Else what is wrong, as in "the token WHAT".
[[nodiscard]] std::string token_fault(const std::string& token);

}  // namespace nightwatt::config
