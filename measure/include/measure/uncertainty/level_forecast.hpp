// How much longer a level must be held until its figure is as good as wanted, and what keeps it from ever getting
// there.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "measure/uncertainty/level_budget.hpp"

namespace nightwatt {

struct LevelForecast {
  enum class Verdict : std::uint8_t {
    good,   ///< it is as good already
    later,  ///< in `wait_s`, if the device goes on as it did
    never,  ///< `limits` alone are more
  };
  Verdict verdict = Verdict::later;
  double share = 0.0;            ///< the expanded uncertainty now, of the level
  double least_share = 0.0;      ///< what of it no time takes away
  std::optional<double> wait_s;  ///< later
  std::vector<PartKind> limits;  ///< never: the parts that are too much; none: the scatter of the readings
};

/// `segment_s`: how long the level has been held by now; its last two thirds are used. What comes from chance falls
/// with the root of the number of independent readings (GUM 4.2.3), which grows with the time; display and meter stay
/// as they are. nullopt where the level is too near to 0 W for a share to mean anything, or has fewer than three
/// readings.
[[nodiscard]] std::optional<LevelForecast> level_forecast(const LevelBudget& budget, double segment_s,
                                                          double wanted_share = 0.01);

}  // namespace nightwatt
