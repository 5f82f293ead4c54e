// Decides when a run opens and ends by itself.
#pragma once

#include <cstdint>
#include <deque>
#include <optional>
#include <string>
#include <string_view>

#include "measure/signal/gap_rule.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt {

/// Watches one meter's power. Incremental, deterministic, bounded memory. Knows the contract's rule: `off` is a level
/// at or below starting_w, or without it below a quarter of a display step, so that a device a whole-watt display shows
/// as 0 and 1 by turns is on.
///
/// The level is judged over window_s (or the last three readings of a slow meter), its highest reading left out, so
/// that neither a single count of noise nor a spike opens a run or keeps one open. A level that is more than half a
/// display step above the threshold is present at once; one nearer to it is judged over six windows, since twenty
/// readings of a display that shows 0 and 1 by turns do not tell 0.1 W from 0.3 W. The display step is learnt from the
/// readings where the traits do not give it.
///
/// Across a hole in the readings: a device that was on stays on (a restart of the service continues the run). One that
/// had been seen off for window_s when the hole began is taken to have been off throughout: if that makes auto_end_s,
/// the run ended where `off` began, and what the first readings after the hole show is a new device.
class AutoRun {
 public:
  struct Settings {
    MeterTraits traits;
    double auto_end_s = 300.0;  ///< off for this long ends a run
    double window_s = 20.0;     ///< the level is judged over this long
  };
  enum class Change : std::uint8_t { none, came_on, went_off };
  struct Event {
    Change change = Change::none;
    UtcTime at;  ///< came_on: the first reading of the device; went_off: where `off` began (auto_end_s ago)
  };

  explicit AutoRun(Settings settings);
  /// Times must rise. Of a meter that reports on change, what it showed since the reading before is judged first; one
  /// reading changes the state once at most.
  [[nodiscard]] Event push(UtcTime time, double power_w);
  /// For a meter that reports on change and has said nothing since: judges what it has shown up to now. Without this
  /// call the next push() comes to the same, only later.
  [[nodiscard]] Event hold_until(UtcTime now);
  /// True while the device is taken to be on.
  [[nodiscard]] bool on() const;
  [[nodiscard]] std::string save() const;
  [[nodiscard]] static Result<AutoRun> restore(Settings settings, std::string_view state);
  /// The fields of its state, once for save() and restore().
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self);

 private:
  /// Neighbouring readings, together at most 1/40 of the window, so that the state is bounded at any rate.
  struct Bin {
    UtcTime begin;
    double sum_w = 0.0;
    std::int64_t readings = 0;
    std::int64_t above = 0;
    UtcTime first_above;  ///< valid where above > 0
    template <class Archive, class Self>
    static void archive(Archive& ar, Self& self) {
      ar(self.begin, self.sum_w, self.readings, self.above, self.first_above);
      ar.require(self.readings > 0);
    }
  };
  [[nodiscard]] Event judge(UtcTime time, double power_w);
  [[nodiscard]] Event judge_held(UtcTime until);
  [[nodiscard]] double step_w() const;
  [[nodiscard]] double threshold_w() const;
  void learn_step(double power_w);
  void add_to_window(UtcTime time, double power_w);
  /// Where the evidence that the device is on begins; none: it is off as far as the window tells.
  [[nodiscard]] std::optional<UtcTime> present();

  Settings settings_;
  GapRule gap_rule_;
  std::deque<Bin> window_;
  double learnt_step_w_ = 0.0;  ///< 0: none yet
  std::optional<UtcTime> last_time_;
  double last_power_w_ = 0.0;
  std::optional<UtcTime> last_sure_;    ///< when the level was last well above the threshold
  std::optional<UtcTime> below_since_;  ///< first reading at or below the threshold after the last one above
  std::optional<UtcTime> off_since_;    ///< where `off` would have begun
  bool on_ = false;
};

}  // namespace nightwatt
