// Turns the tree of the service's config into a ServiceConfig, or into all that is wrong with it.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "config/config.hpp"
#include "problems.hpp"
#include "toml_node.hpp"

namespace nightwatt::config {

/// How many meters one service can be given; a serial hub has fewer ports.
inline constexpr std::size_t meter_limit = 64;
/// Of a meter's name, in bytes.
inline constexpr std::size_t meter_name_limit = 64;

/// Gets the profile a meter names; every problem with it on its own.
struct ProfileOutcome {
  std::optional<MeterProfile> profile;
  std::vector<Error> errors;  ///< each with the profile's file and line
  std::string file;           ///< where it was read
  std::string not_found;      ///< where it was looked for, where there is none of that name
};
/// `relative_to` is the folder of the file that names it.
using ProfileSource = std::function<ProfileOutcome(const std::string& file_or_name, const std::string& relative_to)>;

/// nullopt exactly where something was added to `problems`, which knows the files and their folders.
[[nodiscard]] std::optional<ServiceConfig> parse_config(const Node& root, const ProfileSource& profiles,
                                                        Problems& problems);

}  // namespace nightwatt::config
