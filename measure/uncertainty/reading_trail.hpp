// What a reading says only beside the readings before it: whether the counter moved, whether the display repeats
// itself.
#pragma once

#include <optional>
#include <utility>

#include "measure/uncertainty/level_sketch.hpp"

namespace nightwatt {

/// The energy counter moved between the reading before and this one.
struct Moved {
  CounterTick tick;
  double width_s = 0.0;
  std::int64_t step_uwh = 0;
};

/// The fields of a movement that may be missing, once for save and restore.
template <class Archive, class OptionalMoved>
void archive_moved(Archive& ar, OptionalMoved& moved) {
  const std::optional<bool> broken = ar.told(moved ? std::optional(moved->tick.broken) : std::nullopt);
  ar.set(moved, broken ? std::optional(Moved{{0, 0, *broken}}) : std::nullopt);
  if (moved) ar(moved->tick.at_us, moved->tick.energy_uwh, moved->width_s, moved->step_uwh);
}

/// Follows one stream, reading by reading. A value.
class ReadingTrail {
 public:
  /// The energy counter, before power() of the same time.
  void counter(UtcTime time, double counter_wh);
  /// How a power reading follows the two before it.
  [[nodiscard]] TieStatistics power(double power_w);
  /// What the counter did since it was last asked.
  [[nodiscard]] std::optional<Moved> take_moved() { return std::exchange(moved_, {}); }

  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.last_counter_, self.went_back_);
    archive_moved(ar, self.moved_);
    ar(self.last_shown_, self.alike_);
  }

 private:
  std::optional<std::pair<UtcTime, std::int64_t>> last_counter_;  // in microwatt hours
  bool went_back_ = false;                                        // since the counter's last tick
  std::optional<Moved> moved_;
  double last_shown_ = 0.0;
  std::optional<bool> alike_;  // the last two readings; nullopt below two
};

}  // namespace nightwatt
