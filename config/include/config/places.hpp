// Where a configuration says that store and socket are, for who only asks.
#pragma once

#include <string>

#include "config/config.hpp"

namespace nightwatt::config {

/// load_config() without reading a profile, which a user who only asks may have no right to: its meters have none.
[[nodiscard]] Result<ServiceConfig> load_config_without_profiles(const std::string& file);

}  // namespace nightwatt::config
