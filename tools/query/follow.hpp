// Shows a meter or a run as it goes on: a screen that is drawn anew, or without a terminal a line an update.
#pragma once

#include <optional>
#include <string>

#include "arguments.hpp"
#include "context.hpp"

namespace nightwatt::query {

struct FollowOptions {
  MaybeWord run;  ///< else all meters
  MaybeWord every;
};
/// Until the one who looks has seen enough.
[[nodiscard]] Outcome follow(Context& context, const FollowOptions& options);

}  // namespace nightwatt::query
