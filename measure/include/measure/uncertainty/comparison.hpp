// Repeats pooled, differences and ratios taken, each with the interval that both sides' uncertainties leave.
#pragma once

#include <cstdint>
#include <optional>
#include <span>

#include "measure/uncertainty/level_parts.hpp"

namespace nightwatt {

struct LevelBudget;

/// A figure and what it is unsure of: by chance, and by display and meter, which repeats share.
struct Measured {
  double value = 0.0;
  double standard = 0.0;            ///< standard uncertainty by chance
  double degrees_of_freedom = 1e9;  ///< of `standard`
  double shared = 0.0;              ///< standard uncertainty that is the same in the next repeat
  double display = 0.0;             ///< the display's part of `shared`: at a slightly different level it may be another
};
[[nodiscard]] Measured measured(double value, const LevelParts& parts);
/// A level's budget in that form.
[[nodiscard]] Measured measured(const LevelBudget& budget);
/// A figure read from a display of whole steps: rectangular, half a step either way.
[[nodiscard]] Measured measured_on_display(double value, double step);

/// A figure with its interval.
struct Compared {
  double value = 0.0;
  double uncertainty = 0.0;         ///< expanded, k = 2 (coverage_factor)
  double standard = 0.0;            ///< combined
  double degrees_of_freedom = 0.0;  ///< of the part by chance; of a difference or ratio: of the whole
  double spread = 0.0;              ///< standard deviation between repeats; 0 for one
  int repeats = 1;
};

/// What is repeated: runs of a device usually lie close together, but what a command takes need not.
enum class Repeated : std::uint8_t { runs, tasks };

/// Repeats of one figure with one meter. Each run counts alike. Where the repeats agree within their own uncertainties,
/// those say how certain the mean is; where they differ by more, the spread between them does: see docs/measuring.md,
/// "Repeats". What display and meter do is not averaged away.
[[nodiscard]] std::optional<Compared> pool(std::span<const Measured> repeats, Repeated what = Repeated::runs);

/// Figures of two meters or of one: the promises are taken as independent, since a promise of a percentage does not say
/// that the error is the same at both levels.
[[nodiscard]] Compared difference(const Compared& a, const Compared& b);
/// a / b; nullopt where b's interval holds zero.
[[nodiscard]] std::optional<Compared> ratio(const Compared& a, const Compared& b);

/// True where the intervals overlap: a ranking of the two would rank noise.
[[nodiscard]] bool tied(const Compared& a, const Compared& b);

}  // namespace nightwatt
