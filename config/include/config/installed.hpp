// The profiles that a bare word may name.
#pragma once

#include <string>
#include <vector>

namespace nightwatt::config {

/// Names of the profiles in $NIGHTWATT_PROFILES and in the folder profiles are installed to, sorted, each once.
[[nodiscard]] std::vector<std::string> installed_profiles();

}  // namespace nightwatt::config
