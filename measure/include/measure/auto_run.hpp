// Decides when a run opens and ends by itself.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "measure/meter_profile.hpp"
#include "measure/result.hpp"
#include "measure/time.hpp"

namespace nightwatt {

/// Watches one meter's power. Incremental, deterministic, bounded memory. Knows the contract's rule: `off` is a level at
/// or below starting_w, or without it below a quarter of a display step, so that a device a whole-watt display shows as 0
/// and 1 by turns is on.
class AutoRun {
 public:
  struct Settings {
    MeterTraits traits;
    double auto_end_s = 300.0;       ///< off for this long ends a run
    double window_s = 20.0;          ///< the level is judged over this long
  };
  enum class Change : std::uint8_t { none, came_on, went_off };
  struct Event {
    Change change = Change::none;
    UtcTime at;  ///< came_on: the first reading of the device; went_off: where `off` began (auto_end_s ago)
  };

  explicit AutoRun(Settings settings);
  /// Times must rise.
  [[nodiscard]] Event push(UtcTime time, double power_w);
  /// True while the device is taken to be on.
  [[nodiscard]] bool on() const;
  [[nodiscard]] std::string save() const;
  [[nodiscard]] static Result<AutoRun> restore(Settings settings, std::string_view state);

 private:
  // owned by the implementer of this header
};

}  // namespace nightwatt
