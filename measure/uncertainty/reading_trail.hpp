// What a reading says only beside the readings before it: whether the counter moved, whether the display repeats
// itself.
#pragma once

#include <optional>
#include <utility>

#include "measure/uncertainty/level_sketch.hpp"
#include "signal/bytes.hpp"

namespace nightwatt {

/// The energy counter moved between the reading before and this one.
struct Moved {
  CounterTick tick;
  double width_s = 0.0;
  std::int64_t step_uwh = 0;
};

/// Follows one stream, reading by reading. A value.
class ReadingTrail {
 public:
  /// The energy counter, before power() of the same time.
  void counter(UtcTime time, double counter_wh);
  /// How a power reading follows the two before it.
  [[nodiscard]] TieStatistics power(double power_w);
  /// What the counter did since it was last asked.
  [[nodiscard]] std::optional<Moved> take_moved() { return std::exchange(moved_, {}); }

  void save(ByteWriter& out) const;
  void restore(ByteReader& in);

 private:
  std::optional<std::pair<UtcTime, std::int64_t>> last_counter_;  // in microwatt hours
  bool went_back_ = false;                                        // since the counter's last tick
  std::optional<Moved> moved_;
  double last_shown_ = 0.0;
  std::optional<bool> alike_;  // the last two readings; nullopt below two
};

void write_moved(ByteWriter& out, const std::optional<Moved>& moved);
[[nodiscard]] std::optional<Moved> read_moved(ByteReader& in);
void write_repeats(ByteWriter& out, const TieStatistics& repeats);
[[nodiscard]] TieStatistics read_repeats(ByteReader& in);

}  // namespace nightwatt
