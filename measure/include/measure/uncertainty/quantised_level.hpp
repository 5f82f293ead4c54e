// The level behind a coarse display: what true value, with what noise, makes a meter show these counts this often.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

namespace nightwatt {

/// Readings as whole counts of the display step, over a stretch in which the level may move by a known amount.
struct CountGroup {
  double offset = 0.0;         ///< level of this group less the level sought, in steps
  std::int64_t lowest = 0;     ///< the count that counts[0] belongs to
  std::vector<double> counts;  ///< how many readings showed lowest, lowest + 1, ...
};

/// What a meter adds to the power itself before it rounds, beside the Gaussian noise that is there.
enum class Dither { none, whole_step };

struct QuantisedLevel {
  double level = 0.0;       ///< in steps: the middle of the interval
  double half_width = 0.0;  ///< in steps, 95 %
  double noise = 0.0;       ///< most likely standard deviation before rounding, in steps; 0: none needed
  bool hard = false;        ///< one count only: the ends are the display's own, not limits of 95 %
  bool gaussian = true;     ///< false: the level moves, and no Gaussian noise shows these counts
  bool separated = false;   ///< the counts tell level and noise apart; else the interval is the bound they leave
  double likeliest = 0.0;   ///< in steps, before anything is added for what is cut off
  double misfit = 0.0;      ///< chi squared of the counts, beyond its degrees of freedom
};

/// Maximum likelihood for a Gaussian rounded to the nearest count (or cut to the lower one: `truncates`). The interval
/// holds every level that some noise makes likely: 2 (log L_max - log L_profile) <= t^2, with the readings counted as
/// count / inflation independent ones and t for `degrees_of_freedom`. One count leaves the whole step; two counts leave
/// what no noise excludes; three and more give a figure, if such noise can have shown them. A dither of a whole step
/// makes two counts a figure as well.
[[nodiscard]] QuantisedLevel quantised_level(std::span<const CountGroup> groups, double inflation,
                                             double degrees_of_freedom, bool truncates = false,
                                             Dither dither = Dither::none);

/// Logarithm of how likely the counts are over all levels and noises, from what quantised_level() found: to be compared
/// with that of another dither for the same counts, more than one.
[[nodiscard]] double log_evidence(std::span<const CountGroup> groups, double inflation, const QuantisedLevel& found,
                                  Dither dither);

/// The chance that a display shows the count this many steps above the level, noise in steps.
[[nodiscard]] double count_probability(double above, double noise, Dither dither);

/// Mean of a rounded Gaussian less its true mean, in steps (Widrow, Kollar & Liu 1996; sum of exponentials).
[[nodiscard]] double rounding_bias(double level, double noise);

}  // namespace nightwatt
