// The commands and options that nightwatt knows.
#pragma once

#include <CLI/App.hpp>

#include "command_line.hpp"

namespace nightwatt::query {

/// Adds all of them to the parser; the words of the command that is given land in `line`, which must outlive it.
void add_commands(CLI::App& app, CommandLine& line);

}  // namespace nightwatt::query
