// The grammar of the command line.
#pragma once

#include <span>
#include <string>

#include "arguments.hpp"

namespace nightwatt::query {

/// What the command line asks for: a command with its words, or a text to print (help, version).
struct CommandLine {
  GlobalOptions options;
  MaybeWord mirror;  ///< the connection string of a mirror to ask instead of a store
  CommandArguments command;
  std::string text;  ///< not empty: print it and be done
};

/// `words` without the program's name. Error kind input, one line.
[[nodiscard]] Result<CommandLine> parse_command_line(std::span<const std::string> words);

}  // namespace nightwatt::query
