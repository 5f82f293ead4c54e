// The mirror's tables on a server: made, or brought to this program's version.
#pragma once

#include "measure/signal/result.hpp"
#include "server.hpp"

namespace nightwatt::mirror {

/// Of the newest migration in schema/.
inline constexpr int schema_version = 1;

/// Makes the tables where there are none, and brings older ones up to date, in one transaction while others wait.
/// ErrorKind::unusable where the server's are newer than this program, or where this role may not make them.
[[nodiscard]] Result<void> prepare_schema(Server& server);
/// For who only reads: the tables are there, and of a version that this program knows.
[[nodiscard]] Result<void> check_schema(Server& server);

}  // namespace nightwatt::mirror
