// The last minutes of one meter's power: a bin a second with the lowest, mean and highest of it.
#pragma once

#include <cstdint>
#include <deque>
#include <span>

#include "daemon/meter_session.hpp"
#include "limits.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon::page {

struct CurveBin {
  UtcTime begin;  ///< a multiple of `live_period`
  std::int64_t count = 0;
  double sum_w = 0.0, lowest_w = 0.0, highest_w = 0.0;
  [[nodiscard]] double mean_w() const { return sum_w / static_cast<double>(count); }
};

/// At most `curve_bins`; the oldest go. Where the calendar was set back, what was later goes too, so that times rise.
class Curve {
 public:
  void add(std::span<const LivePoint> points) {
    for (const LivePoint& point : points) add(point);
  }
  [[nodiscard]] const std::deque<CurveBin>& bins() const { return bins_; }
  /// From here on bins are new or changed since the last told(); their number where none is.
  [[nodiscard]] std::size_t first_changed() const { return first_changed_; }
  void told() { first_changed_ = bins_.size(); }

 private:
  void add(const LivePoint& point);
  std::deque<CurveBin> bins_;
  std::size_t first_changed_ = 0;
};

}  // namespace nightwatt::daemon::page
