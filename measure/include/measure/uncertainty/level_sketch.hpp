// What is kept of the readings of one level, bounded however long it lasts: enough to quote it below the display's
// step.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "measure/signal/time.hpp"

namespace nightwatt {

/// How often the display showed one value.
struct ShownValue {
  std::int64_t microwatts = 0;
  std::int64_t n = 0;
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.microwatts, self.n);
  }
  friend bool operator==(const ShownValue&, const ShownValue&) = default;
};

/// The energy counter moved on: to `energy_uwh`, at an instant known to the time between two readings.
struct CounterTick {
  std::int64_t at_us = 0;  ///< the middle between the two readings
  std::int64_t energy_uwh = 0;
  /// Since the tick before, energy passed that is not this level's, or the counter went back.
  bool broken = false;
  friend bool operator==(const CounterTick&, const CounterTick&) = default;
};

/// How readings follow each other: a display that holds or sticks repeats itself more than chance does.
struct TieStatistics {
  std::int64_t pairs = 0;    ///< neighbours looked at
  std::int64_t equal = 0;    ///< of them alike
  std::int64_t singles = 0;  ///< readings that differ from both neighbours
  void add(const TieStatistics& other) {
    pairs += other.pairs;
    equal += other.equal;
    singles += other.singles;
  }
  /// The fields, once for save and restore.
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.pairs, self.equal, self.singles);
  }
  friend bool operator==(const TieStatistics&, const TieStatistics&) = default;
};

/// Readings of one span of the time grid, excursions left out.
struct SketchBin {
  std::int64_t key = 0;              ///< floor(time / width)
  std::int64_t n = 0;                ///< readings
  double mean = 0.0;                 ///< of the readings
  double m2 = 0.0;                   ///< sum of squared deviations from mean
  double covered_s = 0.0;            ///< time between neighbouring readings
  double integral_ws = 0.0;          ///< trapezoids over covered_s
  std::vector<std::int64_t> counts;  ///< readings of each of the sketch's values(); empty for one reading: it is `mean`
  std::optional<CounterTick> tick;   ///< the last one
  [[nodiscard]] double weighted_mean() const { return covered_s > 0.0 ? integral_ws / covered_s : mean; }
  friend bool operator==(const SketchBin&, const SketchBin&) = default;
};

/// One reading, or the readings of a short span.
struct SketchEntry {
  UtcTime time;
  std::int64_t n = 1;
  double mean = 0.0;
  double m2 = 0.0;
  double covered_s = 0.0;    ///< time since the reading before, when that was one of this sketch too, and within
  double integral_ws = 0.0;  ///< trapezoids over it
  std::span<const ShownValue> values;  ///< of more than one reading; empty: too many to be told apart
  std::optional<CounterTick> tick;
  double tick_width_s = 0.0;       ///< between the two readings
  std::int64_t tick_step_uwh = 0;  ///< by how much the counter moved
  TieStatistics repeats;
};

/// Readings of one level, bounded whatever its length: equal bins of 2^k s on a grid that begins at time 0, so that two
/// neighbouring sketches join without loss. Doubles its width when full: 24 to 48 bins once it lasts long enough.
class LevelSketch {
 public:
  static constexpr std::size_t bin_limit = 48;  // a settling curve needs a few dozen, a stored stretch stays below 3 kB
  /// More different values than this and the display is fine beside the noise, or the level moves over many counts:
  /// then the mean says as much as the counts.
  static constexpr std::size_t value_limit = 32;

  void add(const SketchEntry& entry);
  /// Readings that come after all of this one's.
  void append(const LevelSketch& later);
  /// Something else was in between: the counter's next tick does not go on from the last.
  void interrupt() { interrupted_ = true; }

  /// Forgets the bins that begin at or after `time`; those that end at or before it. One bin is always left.
  void drop_from(UtcTime time);
  void drop_before(UtcTime time);

  [[nodiscard]] std::int64_t n() const;
  [[nodiscard]] double mean() const;  ///< of the readings
  [[nodiscard]] double m2() const;    ///< about mean()
  [[nodiscard]] int width_log2() const { return width_log2_; }
  [[nodiscard]] double width_s() const { return static_cast<double>(std::int64_t{1} << width_log2_); }
  [[nodiscard]] UtcTime bin_begin(const SketchBin& bin) const;
  [[nodiscard]] const std::vector<SketchBin>& bins() const { return bins_; }

  /// Whether the readings are known one by one (as counts of values); else only the bins' means and scatter.
  [[nodiscard]] bool counted() const { return counted_; }
  [[nodiscard]] const std::vector<std::int64_t>& values_uw() const { return values_uw_; }
  /// How often the bin shows each value.
  [[nodiscard]] std::vector<ShownValue> shown(const SketchBin& bin) const;
  [[nodiscard]] const TieStatistics& repeats() const { return repeats_; }
  [[nodiscard]] double tick_width_s() const { return tick_width_s_; }          ///< the widest
  [[nodiscard]] std::int64_t tick_step_uwh() const { return tick_step_uwh_; }  ///< the smallest seen; 0: none

 private:
  friend class SketchBytes;
  void widen();
  void put(SketchBin bin);
  void join(SketchBin& into, const SketchBin& from);
  void count_single(SketchBin& bin);
  void count(SketchBin& bin, std::int64_t microwatts, std::int64_t n);
  void forget_counts();
  int width_log2_ = 0;
  std::vector<SketchBin> bins_;
  bool counted_ = true;
  std::vector<std::int64_t> values_uw_;  // in the order in which they came
  bool interrupted_ = false;
  double tick_width_s_ = 0.0;
  std::int64_t tick_step_uwh_ = 0;
  TieStatistics repeats_;

  friend bool operator==(const LevelSketch&, const LevelSketch&) = default;
};

}  // namespace nightwatt
