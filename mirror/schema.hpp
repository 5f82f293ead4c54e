// The mirror's tables on a server: made, or brought to this program's version.
#pragma once

#include <span>
#include <string_view>

#include "measure/signal/result.hpp"
#include "server.hpp"

namespace nightwatt::mirror {

/// A text of SQL a version: the first makes the tables, each later one changes those of the version before it.
using Migrations = std::span<const std::string_view>;
/// Those in schema/.
[[nodiscard]] Migrations all_migrations();

/// Makes the tables where there are none, and brings older ones up to date, in one transaction while others wait.
/// ErrorKind::unusable where the server's are newer than this program, or where this role may not make them.
[[nodiscard]] Result<void> prepare_schema(Server& server, Migrations migrations = all_migrations());
/// For who only reads: the tables are there, and of a version that this program knows.
[[nodiscard]] Result<void> check_schema(Server& server);

}  // namespace nightwatt::mirror
