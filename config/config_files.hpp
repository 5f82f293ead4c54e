// The files of a config, the main one and those of `conf.d` beside it, read as one.
//
// What a person or a program adds lies in a file of its own, so that nothing ever has to edit the file that a package
// or another person wrote.
#pragma once

#include <string>
#include <vector>

#include "measure/signal/result.hpp"
#include "problems.hpp"
#include "toml_node.hpp"

namespace nightwatt::config {

/// More is a wrong folder.
inline constexpr std::size_t config_files_limit = 256;

struct ConfigTree {
  Node root;
  Problems problems;
};

/// `file`, then every `conf.d/*.toml` beside it by name. Sections that may be repeated add up; of other sections a
/// later file's key takes the place of an earlier one's. ErrorKind::input: the first file that cannot be read. `with`,
/// where it is not empty, is read as one more, the last: a draft `NAME.toml.WORD` in place of `NAME.toml`.
[[nodiscard]] Result<ConfigTree> read_config_files(const std::string& file, const std::string& with = {});

/// A line for each secret that stands in a file which everybody on the machine may read.
[[nodiscard]] std::vector<std::string> open_secrets(const ConfigTree& tree);

}  // namespace nightwatt::config
