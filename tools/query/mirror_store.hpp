// The store that a command reads where --mirror is given: made of what the mirror has.
#pragma once

#include "command_line.hpp"
#include "mirror/fetched_store.hpp"

namespace nightwatt::query {

/// With the readings that this command draws or judges. ErrorKind::input where the command does not read only.
[[nodiscard]] Result<mirror::FetchedStore> fetch_mirror(const CommandLine& line);

}  // namespace nightwatt::query
