#include "ramps.hpp"

#include <algorithm>
#include <cmath>

namespace nightwatt {

namespace {

constexpr double longest_piece_s = 240.0;  // of a ramp: the engine cuts any slope that matters sooner
constexpr double coarse_count_s = 60.0;    // longest that a ramp rests on one count of its display
constexpr double one_count = 1.6;          // display steps: one, and what averaging leaves of it
constexpr double counts_alike = 3.0;       // ratio of the longest to the shortest of such rests
constexpr std::int64_t few_points = 6;     // too few to have a slope of their own
constexpr double own_slope = 0.5;          // of the way past a piece: what its own slope must explain
constexpr double correlated = 2.0;         // readings worth one: phi of a third, usual
constexpr double least_way = 0.10;         // of the higher level; less is how levels settle and drift
constexpr double straight = 0.08;          // of the way: scatter about the line, besides the readings' own
constexpr double meets_share = 0.35;       // of the ramp's length: how far its line may meet a level beyond it
constexpr double meets_s = 5.0;
constexpr std::int64_t jump_points = 2;

struct Line {
  double slope = 0.0;  // W/s
  double time_s = 0.0;
  double power_w = 0.0;
  double scatter_w = 0.0;
};

/// Least squares through the bins of parts [from, to), time from `origin`.
Line line_of(const std::vector<Part>& parts, std::size_t from, std::size_t to, UtcTime origin) {
  struct At {
    double n, t, p;
  };
  std::vector<At> at;
  for (std::size_t k = from; k < to; ++k) {
    const LevelSketch& sketch = parts[k].stretch.sketch;
    for (const SketchBin& b : sketch.bins())
      at.push_back(
          {static_cast<double>(b.n), to_seconds(sketch.bin_begin(b) - origin).value + sketch.width_s() / 2.0, b.mean});
  }
  Line line;
  double n = 0.0, tt = 0.0, tp = 0.0, rest = 0.0;
  for (const At& a : at) n += a.n, line.time_s += a.n * a.t, line.power_w += a.n * a.p;
  if (!(n > 0.0)) return line;
  line.time_s /= n, line.power_w /= n;
  for (const At& a : at)
    tt += a.n * (a.t - line.time_s) * (a.t - line.time_s), tp += a.n * (a.t - line.time_s) * (a.p - line.power_w);
  line.slope = tt > 0.0 ? tp / tt : 0.0;
  for (const At& a : at) {
    const double r = a.p - line.power_w - line.slope * (a.t - line.time_s);
    rest += a.n * r * r;
  }
  line.scatter_w = std::sqrt(rest / n);
  return line;
}

class RampFinder {
 public:
  RampFinder(const std::vector<Part>& parts, const PartRules& rules) : parts_(parts), rules_(rules) {}

  std::vector<std::pair<std::size_t, std::size_t>> run() const {
    std::vector<std::pair<std::size_t, std::size_t>> found;
    for (std::size_t i = 1; i + 1 < parts_.size();) {
      const int way = on_the_way(i);
      std::size_t j = i + 1;
      while (way != 0 && j + 1 < parts_.size() && on_the_way(j) == way) ++j;
      if (way != 0 && is_ramp(i, j)) found.emplace_back(i, j);
      i = way != 0 ? j : i + 1;
    }
    return found;
  }

 private:
  /// +1 or -1 where a piece lies between its neighbours' levels and leans from the one to the other, else 0.
  [[nodiscard]] int on_the_way(std::size_t i) const {
    const Part& a = parts_[i - 1];
    const Part& p = parts_[i];
    const Part& b = parts_[i + 1];
    for (const Part* part : {&a, &p, &b})
      if (part->stretch.shape != StretchShape::steady) return 0;
    const double held_s = length_s(p);
    if (held_s > longest_piece_s) return 0;
    const double mean = p.stretch.sketch.mean();
    const double up = mean - a.tail.mean;
    const double on = b.head.mean - mean;
    if (!(up * on > 0.0)) return 0;
    const int way = up > 0.0 ? 1 : -1;
    const double count = one_count * rules_.step_w;
    if (p.points < few_points) return way;
    if (leans(i, way)) return way;
    return std::abs(up) <= count && std::abs(on) <= count && held_s <= coarse_count_s ? way : 0;
  }

  /// A piece goes itself as far as the way past it asks for.
  [[nodiscard]] bool leans(std::size_t i, int way) const {
    const Part& a = parts_[i - 1];
    const Part& b = parts_[i + 1];
    const double held_s = length_s(parts_[i]);
    const double window_s = rules_.edge_window_s();
    const double beside_s = (std::min(length_s(a), window_s) + std::min(length_s(b), window_s)) / 2.0;
    const double expected = std::abs(b.head.mean - a.tail.mean) * held_s / (held_s + beside_s);
    const Line line = line_of(parts_, i, i + 1, parts_[i].stretch.begin);
    // Deviation of the way that n readings about a line show; of a short and noisy piece it says nothing.
    const double unsure = line.scatter_w * std::sqrt(12.0 * correlated /
                                                     static_cast<double>(std::max<std::int64_t>(parts_[i].points, 1)));
    return line.slope * held_s * way >= own_slope * expected - 2.0 * unsure;
  }

  [[nodiscard]] bool only_counts(std::size_t i, std::size_t j) const {
    double shortest = 1e9, longest = 0.0;
    for (std::size_t k = i; k < j; ++k) {
      const double step = parts_[k].stretch.sketch.mean() - parts_[k - 1].tail.mean;
      if (std::abs(step) > one_count * rules_.step_w || leans(k, step > 0.0 ? 1 : -1)) return false;
      shortest = std::min(shortest, length_s(parts_[k]));
      longest = std::max(longest, length_s(parts_[k]));
    }
    return j < i + 2 || longest > counts_alike * shortest;
  }

  [[nodiscard]] bool is_ramp(std::size_t i, std::size_t j) const {
    const Part& a = parts_[i - 1];
    const Part& b = parts_[j];
    std::int64_t points = 0;
    for (std::size_t k = i; k < j; ++k) points += parts_[k].points;
    if (points <= jump_points) return false;
    const double way = b.head.mean - a.tail.mean;
    const double higher = std::max(std::abs(a.tail.mean), std::abs(b.head.mean));
    if (std::abs(way) < std::max(2.0 * rules_.step_w, least_way * higher)) return false;
    if (length_s(a) < rules_.edge_window_s() || only_counts(i, j)) return false;
    const UtcTime begin = parts_[i].stretch.begin;
    const UtcTime end = b.stretch.begin;
    const double lasts_s = to_seconds(end - begin).value;
    const Line line = line_of(parts_, i, j, begin);
    if (line.slope * way <= 0.0) return false;
    const double noise = std::sqrt(std::min(variance(a), variance(b)));
    if (line.scatter_w > std::max({straight * std::abs(way), 0.45 * rules_.step_w, 1.5 * noise})) return false;
    const auto meets = [&](double level) { return line.time_s + (level - line.power_w) / line.slope; };
    const double reach_s = meets_share * lasts_s + meets_s;
    if (std::abs(meets(a.tail.mean)) > reach_s || std::abs(meets(b.head.mean) - lasts_s) > reach_s) return false;
    // The level before must be one: a curve that settles leans as much as what follows it.
    const double a_slope = line_of(parts_, i - 1, i, a.stretch.begin).slope;
    return a_slope * line.slope <= 0.0 || std::abs(a_slope) < own_slope * std::abs(line.slope);
  }

  const std::vector<Part>& parts_;
  const PartRules& rules_;
};

}  // namespace

std::vector<std::pair<std::size_t, std::size_t>> find_ramps(const std::vector<Part>& parts, const PartRules& rules) {
  return RampFinder(parts, rules).run();
}

}  // namespace nightwatt
