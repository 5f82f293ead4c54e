// What the change-point engine sees as one number: a reading, or the readings of one second of a fast stream.
#pragma once

#include <optional>
#include <vector>

#include "measure/uncertainty/level_sketch.hpp"
#include "signal/archive.hpp"
#include "uncertainty/reading_trail.hpp"

namespace nightwatt {

struct RawReading {
  UtcTime time;
  double power_w = 0.0;
  std::optional<Moved> moved;
  TieStatistics repeats;
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.time, self.power_w);
    archive_moved(ar, self.moved);
    ar(self.repeats);
  }
};

struct StreamPoint {
  UtcTime first;
  UtcTime last;
  std::int64_t n = 0;
  double mean = 0.0;
  double m2 = 0.0;
  double low = 0.0;
  double high = 0.0;
  double first_w = 0.0;
  double last_w = 0.0;
  double integral_ws = 0.0;
  std::vector<ShownValue> values;  // of more than one reading; empty: too many
  std::optional<Moved> moved;      // the counter, last
  TieStatistics repeats;

  StreamPoint() = default;
  explicit StreamPoint(const RawReading& r);
  void add(const RawReading& r);
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.first);
    ar.offset(self.last, self.first);
    ar(self.n, self.mean);
    archive_moved(ar, self.moved);
    ar(self.repeats);
    for (auto* same : {&self.low, &self.high, &self.first_w, &self.last_w}) ar.set(*same, self.mean);
    if (self.n == 1) return;
    ar(self.m2, self.low, self.high, self.first_w, self.last_w, self.integral_ws, self.values);
  }

 private:
  void count(double power_w);
};

/// Makes one point of the readings of each second.
class SecondBins {
 public:
  /// The point of the second before, where this reading begins another.
  [[nodiscard]] std::optional<StreamPoint> add(const RawReading& r);
  /// The point of the last second, which is over.
  [[nodiscard]] std::optional<StreamPoint> close();
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.bin_, self.second_);
  }

 private:
  StreamPoint bin_;
  std::int64_t second_ = 0;
};

}  // namespace nightwatt
