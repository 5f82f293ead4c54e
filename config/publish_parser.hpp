// The config's [publish]: which broker is told of readings, and under which topics.
#pragma once

#include "checked_table.hpp"
#include "config/config.hpp"

namespace nightwatt::config {

/// What is wrong goes to the table's problems. A password's file is not read here: whoever reads the config to find the
/// store need not be able to. `rig` is the mirror's name for this store, which [publish] takes unless it has its own.
[[nodiscard]] PublishConfig parse_publish(CheckedTable table, const std::string& rig);

}  // namespace nightwatt::config
