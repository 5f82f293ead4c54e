// Finds where a settling curve ends: P_inf + A exp(-t / tau) through the bins of a steady stretch.
#pragma once

#include <optional>

#include "measure/stretch.hpp"

namespace nightwatt {

/// The best P_inf + A exp(-t / tau) through a whole curve.
struct Decay {
  double way_w = 0.0;         ///< how far it falls or rises
  double scatter_w = 0.0;     ///< of the readings about it, weighted by their number
  double about_line_w = 0.0;  ///< the same about the best line
  /// A straight way is no curve that settles.
  [[nodiscard]] bool is_bent() const { return scatter_w < 0.5 * about_line_w; }
};
/// tau from `shortest_tau` of its length (less is a level with something before it) to all of it (more is a line).
/// nullopt: too short, or a constant fits as well.
[[nodiscard]] std::optional<Decay> decay_of(const Stretch& stretch, double shortest_tau);

/// nullopt: a constant explains the stretch as well, or it neither rises nor falls towards a limit.
[[nodiscard]] std::optional<Settling> settling_of(const Stretch& stretch, double step_w);

}  // namespace nightwatt
