// The segmenter's own record of one stretch. Only measure/ looks inside.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "measure/time.hpp"

namespace nightwatt {

/// What the curve does in a stretch; what the device does (the kind) is classify()'s to say.
enum class StretchShape : std::uint8_t { steady, ramp, unsteady, gap };

/// Readings of one span of the time grid, excursions left out.
struct SketchBin {
  std::int64_t key = 0;      ///< floor(time / width)
  std::int64_t n = 0;        ///< readings
  double mean = 0.0;         ///< of the readings
  double m2 = 0.0;           ///< sum of squared deviations from mean
  double covered_s = 0.0;    ///< time between neighbouring readings
  double integral_ws = 0.0;  ///< trapezoids over covered_s
  [[nodiscard]] double weighted_mean() const { return covered_s > 0.0 ? integral_ws / covered_s : mean; }
  friend bool operator==(const SketchBin&, const SketchBin&) = default;
};

/// Readings of one level, bounded whatever its length: equal bins of 2^k s on a grid that begins at time 0, so that two
/// neighbouring sketches join without loss. Doubles its width when full: 24 to 48 bins once it lasts long enough.
class LevelSketch {
 public:
  static constexpr std::size_t bin_limit = 48;  // a settling curve needs a few dozen, a stored stretch stays below 3 kB

  /// One reading, or `n` of a short bin with their own scatter. `link_s`: time since the reading before, when that was
  /// one of this sketch too, else 0; `link_ws` its trapezoid.
  void add(UtcTime time, std::int64_t n, double mean, double m2, double covered_s, double integral_ws);
  /// Readings that come after all of this one's.
  void append(const LevelSketch& later);

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
  /// For decoding: false if the bins cannot be a sketch.
  [[nodiscard]] bool assign(int width_log2, std::vector<SketchBin> bins);
  friend bool operator==(const LevelSketch&, const LevelSketch&) = default;

 private:
  void widen();
  void put(const SketchBin& bin);
  int width_log2_ = 0;
  std::vector<SketchBin> bins_;
};

class Stretch {
 public:
  UtcTime begin;
  UtcTime end;
  StretchShape shape = StretchShape::unsteady;
  double begin_uncertainty_s = 0.0;  ///< k = 2
  double end_uncertainty_s = 0.0;
  std::int64_t samples = 0;  ///< readings, excursions counted
  double energy_ws = 0.0;    ///< trapezoids, the way to the next stretch's first reading counted; none across a gap
  double covered_s = 0.0;    ///< time under energy_ws
  double lowest_w = 0.0;
  double highest_w = 0.0;
  std::int64_t excursions = 0;
  std::optional<double> duty;  ///< of a cycling stretch
  double line_begin_w = 0.0;   ///< of a ramp: its least-squares line at begin and end
  double line_end_w = 0.0;
  double lag1 = 0.0;          ///< correlation of neighbouring readings within pieces
  double toggle_share = 0.0;  ///< share of readings that lie on the two commonest neighbouring counts
  LevelSketch sketch;
  friend bool operator==(const Stretch&, const Stretch&) = default;
};

}  // namespace nightwatt
