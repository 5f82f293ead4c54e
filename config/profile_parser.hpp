// Turns the tree of a profile file into a MeterProfile, or into all that is wrong with it.
#pragma once

#include <optional>
#include <string>

#include "measure/signal/meter_profile.hpp"
#include "measure/signal/profile_table.hpp"
#include "problems.hpp"
#include "toml_node.hpp"

namespace nightwatt::config {

/// nullopt exactly where something was added to `problems`.
[[nodiscard]] std::optional<MeterProfile> parse_profile(const Node& root, const std::string& name,
                                                        ProtocolReaders protocols, Problems& problems);

}  // namespace nightwatt::config
