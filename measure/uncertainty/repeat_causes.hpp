// Why a display repeats itself more often than chance does: each cause, and how likely it makes the single readings.
#pragma once

#include <optional>
#include <vector>

#include "measure/uncertainty/display_hysteresis.hpp"
#include "uncertainty/rounded_repeats.hpp"

namespace nightwatt {

/// What was seen of how a display repeats itself.
struct SeenRepeats {
  Repeats shares;
  double pairs = 0.0;                 ///< of neighbours
  bool by_chance = false;             ///< it repeats itself no more than chance makes it
  double chance = 0.0;                ///< that two readings which have nothing to do with each other are alike
  std::optional<RoundedNoise> noise;  ///< behind the counts, its correlation left out, where they tell it
  std::size_t count_number = 0;
};

struct RepeatCause {
  double weight = 0.0;                             ///< prior times likelihood
  std::optional<double> readings_per_independent;  ///< nullopt: it may be any number
};

/// Those of a display that rounds: chance, or first-order noise and slow noise of any other sort; and a meter that
/// holds its readings.
[[nodiscard]] std::vector<RepeatCause> causes_where_it_rounds(const SeenRepeats& seen);
/// A display that sticks.
[[nodiscard]] RepeatCause cause_where_it_sticks(const SeenRepeats& seen, const DisplayHysteresis& sticks);

}  // namespace nightwatt
