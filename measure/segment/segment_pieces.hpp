// The engine's pieces: what is kept of the readings between two changes, and how neighbours become one.
#pragma once

#include <cstddef>
#include <vector>

#include "measure/uncertainty/line_sums.hpp"
#include "measure/uncertainty/regime.hpp"

namespace nightwatt {

/// Mean of the first or last readings of a part, over PieceRules::edge_window_s().
struct EdgeLevel {
  std::int64_t n = 0;
  double mean = 0.0;
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.n, self.mean);
  }
  void add(const EdgeLevel& other) {
    if (other.n == 0) return;
    n += other.n;
    mean += (other.mean - mean) * static_cast<double>(other.n) / static_cast<double>(n);
  }
};

/// A reading near an edge, or a second of a fast stream.
struct EdgePoint {
  UtcTime first;
  UtcTime last;
  std::int64_t n = 0;
  double mean = 0.0;
  [[nodiscard]] UtcTime middle() const { return first + Duration((last - first).count() / 2); }
};

/// The fields of readings in a row, once for save and restore.
template <class Archive, class Points>
void archive_points(Archive& ar, Points& points) {
  constexpr std::size_t least_bytes = 11;
  ar.sized(points, least_bytes);
  UtcTime before{0};
  for (auto& point : points) {
    ar.offset(point.first, before);
    ar.offset(point.last, point.first);
    ar(point.n, point.mean);
    before = point.last;
  }
}

/// What lies between two changes of the engine, or several such once they are known to belong together.
struct Piece {
  Regime regime;             ///< shape: steady, or unsteady for what no level can be quoted of
  std::int64_t points = 0;   ///< what the engine saw of it: readings, or seconds of a fast stream
  std::int64_t noise_n = 0;  ///< degrees of freedom of the readings about their piece's mean
  double noise_m2 = 0.0;
  EdgeLevel head;
  EdgeLevel tail;
  LineSums line;                        ///< of its readings, time in seconds
  std::vector<EdgePoint> first_points;  ///< of its first edge_reach_s
  std::vector<EdgePoint> last_points;   ///< of its last; both are all there is in a short part
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.regime, self.points, self.noise_n, self.noise_m2, self.head, self.tail);
    ar(self.line.n, self.line.x, self.line.y, self.line.xx, self.line.xy);
    archive_points(ar, self.first_points);
    archive_points(ar, self.last_points);
  }
};

// The engine sees powers through asinh(P / 10 W): watts near 0, ratios above. Noise and what is told apart both grow
// with the level, and one penalty can then serve a night that holds an adapter alone and a load.
constexpr double linear_below_w = 10.0;

// Enough of a ramp and of the level beside it to see where they bend.
constexpr double edge_reach_s = 60.0;
constexpr std::size_t edge_point_limit = 64;  // 60 s at 1 Hz

constexpr std::int64_t line_point_limit = 1024;  // readings that make a part's line: a longer one is no piece of a ramp

struct PieceRules {
  double shortest_s = 20.0;
  double step_w = 0.0;
  double interval_s = 0.0;  ///< median time between readings
  bool binned = false;      ///< points are seconds of a fast stream
  /// Facing levels are compared over this much on either side of a change: a slow curve is no step.
  [[nodiscard]] double edge_window_s() const { return shortest_s / 2.0; }
};

/// `b` follows `a` and becomes part of it. `kept`: false leaves b's readings out of the level.
void join(Piece& a, const Piece& b, const PieceRules& rules, bool kept);
/// `way` lies just before `next` and becomes part of it, in its time and energy and in no level.
void precede(Piece& next, const Piece& way);
[[nodiscard]] inline double seconds_of(UtcTime t) {
  return static_cast<double>(t.us) * 1e-6;
}
[[nodiscard]] double length_s(const Piece& part);
/// Of the readings about their own piece's mean: a slope made of many pieces does not count as noise.
[[nodiscard]] double variance(const Piece& part);

}  // namespace nightwatt
