// Turns a `[[tell]]` section, who is told what at night, into a NotificationConfig.
#pragma once

#include <optional>
#include <string>

#include "checked_table.hpp"
#include "config/config.hpp"

namespace nightwatt::config {

/// Sections of one service; each may have a message on its way, a process of its own at the most.
inline constexpr std::size_t notification_limit = 8;

/// Reports what is wrong to the table's problems and gives what is left. A program with a folder in its name is
/// relative to its file; a bare word is looked for in $PATH when it is run.
[[nodiscard]] NotificationConfig parse_tell(CheckedTable& table);

/// `http://HOST[:PORT][/PATH]`. ErrorKind::input: what is wrong, a semicolon, what to do.
[[nodiscard]] Result<WebAddress> parse_web_address(std::string_view text);

}  // namespace nightwatt::config
