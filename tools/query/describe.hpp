// What is said of a run that a command makes or asks for: note, what was plugged in, conditions.
#pragma once

#include <utility>

#include "arguments.hpp"

namespace nightwatt::query {

/// circumstances_from() a command's words, put into a run or a request for one.
template <class Described, class Arguments>
[[nodiscard]] Result<void> describe(Described& described, const Arguments& arguments) {
  auto circumstances = circumstances_from(arguments.note, arguments.includes, arguments.set);
  if (!circumstances) return tl::unexpected(circumstances.error());
  described.note = std::move(circumstances->note);
  described.includes = std::move(circumstances->includes);
  described.conditions = std::move(circumstances->conditions);
  return {};
}

}  // namespace nightwatt::query
