// One source of a level's uncertainty, by what it is and from what it was made; put into words by `figures`.
#pragma once

#include <array>
#include <cstdint>

namespace nightwatt {

enum class PartKind : std::uint8_t {
  statistics,
  display_step,
  sticking_display,
  dithering_display,  ///< whether the meter adds noise of its own before it rounds
  display_rule,       ///< whether the display rounds or cuts off
  drift,
  energy_counter,
  disagreement,  ///< of counter and power readings
  departures,    ///< from idle, of a baseline
  excursions,    ///< too short to be segments
  between_segments,
  meter_accuracy,
};

/// From what a part was made, with the numbers that belong to it.
enum class PartBasis : std::uint8_t {
  none,
  whole_cycles,          ///< how many
  readings,              ///< how many, independent ones
  readings_behind_step,  ///< how many, independent ones, step in W
  undecided_counts,      ///< no part of its own: the counts do not tell level and noise apart
  creeping_counts,       ///< no part of its own: the level creeps from count to count
  told_by_counts,        ///< no part of its own: the counts tell level and noise apart
  half_step,             ///< step in W
  times_not_known,       ///< step in W; how often each count was shown
  averaged_out,          ///< step in W, noise in W
  whole_step,            ///< step in W
  two_counts,            ///< step in W
  other_noise,           ///< step in W; no Gaussian noise shows these counts
  broken_counts,         ///< counts that the level creeps over
  repeats,               ///< steps past a count's edge
  counter_leaves_both,   ///< rounding or cutting off
  counter_ticks,         ///< how many, weight in percent
  contradiction,         ///< of counter and power readings
  slope,                 ///< W/h
  promise,               ///< of the meter's maker
  correction,            ///< by a calibration
  idle_levels,           ///< of a baseline, each for its time
  departures_by_cycles,  ///< how many, scatter of whole cycles in Ws
  few_departures,        ///< how many
  short_excursions,      ///<
  same_all_the_time,     ///<
  spread_of_segments,    ///< how many segments
};

struct BudgetPart {
  PartKind kind = PartKind::statistics;
  double uncertainty_w = 0.0;       ///< standard, as it enters the sum
  double degrees_of_freedom = 0.0;  ///< infinite where the uncertainty is itself certain
  bool rectangular = false;         ///< else about normal
  bool shared = false;              ///< the same in the next stretch of the same meter at that level; else by chance
  PartBasis basis = PartBasis::none;
  std::array<double, 3> numbers{};  ///< of the basis
  int of_segments = 1;              ///< joined from so many; the basis is that of the longest
  double share = 0.0;               ///< of the combined variance

  [[nodiscard]] BudgetPart with(PartBasis from, double first = 0.0, double second = 0.0, double third = 0.0) const {
    BudgetPart part = *this;
    part.basis = from;
    part.numbers = {first, second, third};
    return part;
  }
};

/// By chance, about normal.
[[nodiscard]] BudgetPart random_part(PartKind kind, double uncertainty_w, double degrees_of_freedom);
/// The same in the next stretch too, about normal and itself certain.
[[nodiscard]] BudgetPart systematic_part(PartKind kind, double uncertainty_w);
/// The same in the next stretch too, anywhere within the half-width.
[[nodiscard]] BudgetPart rectangular_part(PartKind kind, double half_width_w);

enum class WarningKind : std::uint8_t {
  fewer_than_three_readings,
  accuracy_not_known,
  class_below_minimum_current,
  step_not_known,  ///< step in W
  counter_moved_too_little,
  counter_disagrees,     ///< W by the counter, W by the power readings
  counter_says_cut_off,  ///< the display cuts digits off, though nobody told
};

struct BudgetWarning {
  WarningKind kind = WarningKind::fewer_than_three_readings;
  std::array<double, 2> numbers{};
  friend bool operator==(const BudgetWarning&, const BudgetWarning&) = default;
};

}  // namespace nightwatt
