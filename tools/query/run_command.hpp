// One call of the query tool, without a process of its own.
#pragma once

#include <span>
#include <string>

#include "context.hpp"

namespace nightwatt::query {

/// `words` without the program's name. The exit status of the outside contract: 0 done, 1 the answer is no, 2 wrong use
/// or a bad input file, 3 the store or the service could not be used.
[[nodiscard]] int run_command(std::span<const std::string> words, Sink& out, Sink& err, const Environment& environment);

}  // namespace nightwatt::query
