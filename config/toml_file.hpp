// A TOML file as a tree.
#pragma once

#include <string>

#include "measure/signal/result.hpp"
#include "toml_node.hpp"

namespace nightwatt::config {

/// A path for a message: cut and cleaned where it is long or odd enough to spoil the line it is reported in.
[[nodiscard]] std::string shown_path(const std::string& path);

/// Regular files only: a pipe or a device could keep us for ever. ErrorKind::input.
[[nodiscard]] Result<Node> read_toml_file(const std::string& file);

}  // namespace nightwatt::config
