#include "measure/uncertainty/quantised_level.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "measure/uncertainty/distributions.hpp"

namespace nightwatt {

namespace {

/// Below this share of a step noise makes no difference but at the very edge of a count, where it is as good as none.
constexpr double least_noise = 0.001;
/// Less noise than this is told as none.
constexpr double noticeable_noise = 0.02;
/// Probabilities below it are no evidence about the level any more but about stray readings.
constexpr double least_probability = 1e-12;
/// Deviations of chi squared from which on the counts are no rounded Gaussian's.
constexpr double misfit_deviations = 3.0;
/// With it no count next to one that was seen is impossible.
constexpr double sure_noise = 0.3;
/// Of the noise's logarithm: strides double while it climbs.
constexpr double first_stride = 0.25;
constexpr int climbs = 12;
/// Of the noise's logarithm: n readings make the likelihood wrong by n times its square, a hundredth for a million.
constexpr double noise_tolerance = 1e-4;
/// Golden sections: the level to a thousandth of a step where it is not sharper already.
constexpr int level_refinements = 18;
/// Ends of the interval to 1e-4 of a step.
constexpr int bisections = 18;
constexpr double edge_tolerance = 1e-4;

/// P(a < Z < b) without cancellation in either tail.
double between(double a, double b) {
  const double root = std::sqrt(0.5);
  if (a > 0.0) return 0.5 * (std::erfc(a * root) - std::erfc(b * root));
  return 0.5 * (std::erfc(-b * root) - std::erfc(-a * root));
}

/// The integral of the normal distribution function.
double normal_ramp(double x) {
  return x * 0.5 * std::erfc(-x * std::sqrt(0.5)) + std::exp(-0.5 * x * x) / std::sqrt(2.0 * M_PI);
}

class Likelihood {
 public:
  Likelihood(std::span<const CountGroup> groups, double inflation, Dither dither)
      : groups_(groups), weight_(1.0 / inflation), dither_(dither) {
    double sum = 0.0, squares = 0.0, total = 0.0;
    low_ = std::numeric_limits<double>::infinity();
    high_ = -low_;
    for (const CountGroup& group : groups) {
      for (std::size_t i = 0; i < group.counts.size(); ++i) {
        if (group.counts[i] <= 0.0) continue;
        const double at = static_cast<double>(group.lowest) + static_cast<double>(i) - group.offset;
        low_ = std::min(low_, at);
        high_ = std::max(high_, at);
        total += group.counts[i];
        sum += group.counts[i] * at;
        squares += group.counts[i] * at * at;
      }
    }
    mean_ = sum / total;
    standard_deviation_ = std::sqrt(std::max(0.0, squares / total - mean_ * mean_));
  }

  [[nodiscard]] double mean() const { return mean_; }
  [[nodiscard]] double lowest() const { return low_; }
  [[nodiscard]] double highest() const { return high_; }

  [[nodiscard]] double at(double level, double noise) const {
    double sum = 0.0;
    for (const CountGroup& group : groups_) {
      for (std::size_t i = 0; i < group.counts.size(); ++i) {
        if (group.counts[i] <= 0.0) continue;
        const double off = static_cast<double>(group.lowest) + static_cast<double>(i) - group.offset - level;
        sum += group.counts[i] * std::log(std::max(count_probability(off, noise, dither_), least_probability));
      }
    }
    return sum * weight_;
  }

  /// How much less likely than the best that any noise could do, as chi squared.
  [[nodiscard]] double misfit(double likelihood) const {
    double best = 0.0;
    for (const CountGroup& group : groups_) {
      double n = 0.0;
      for (const double count : group.counts) n += count;
      for (const double count : group.counts)
        if (count > 0.0) best += count * std::log(count / n);
    }
    return 2.0 * (best * weight_ - likelihood);
  }

  /// Furthest that a level is from a count which shows it, were there no noise.
  [[nodiscard]] double reach() const { return dither_ == Dither::none ? 0.5 : 1.0; }

  struct Best {
    double value;
    double noise;
  };
  /// Over all noises, for one level. The likelihood of a grouped Gaussian is concave in 1 / sigma where the level is
  /// held (Burridge 1981, from memory), so that climbing from the noise of the level asked before finds its only top.
  [[nodiscard]] Best profile(double level) {
    constexpr double golden = 0.6180339887498949;
    const double from = std::log(least_noise);
    const double to = std::log(std::max(2.0, 3.0 * (standard_deviation_ + high_ - low_)));
    const auto value = [&](double log_noise) { return at(level, std::exp(log_noise)); };
    // From above: with much less noise than there is every count is impossible, and the likelihood is flat.
    double middle = std::clamp(std::max(log_noise_, std::log(sure_noise)), from, to), at_middle = value(middle);
    double a = std::max(from, middle - first_stride), b = std::min(to, middle + first_stride);
    double at_a = value(a), at_b = value(b);
    double stride = first_stride;
    for (int i = 0; i < climbs && at_a > at_middle && a > from; ++i) {
      b = middle, middle = a, at_middle = at_a;
      a = std::max(from, a - (stride *= 2.0));
      at_a = value(a);
    }
    stride = first_stride;
    for (int i = 0; i < climbs && at_b > at_middle && b < to; ++i) {
      a = middle, middle = b, at_middle = at_b;
      b = std::min(to, b + (stride *= 2.0));
      at_b = value(b);
    }
    double c = b - golden * (b - a), d = a + golden * (b - a);
    double at_c = value(c), at_d = value(d);
    while (b - a > noise_tolerance) {
      if (at_c > at_d) {
        b = d, d = c, at_d = at_c;
        c = b - golden * (b - a), at_c = value(c);
      } else {
        a = c, c = d, at_c = at_d;
        d = a + golden * (b - a), at_d = value(d);
      }
    }
    Best best{at_middle, std::exp(middle)};
    for (const auto& [log_noise, height] : {std::pair{a, at_a}, {b, at_b}, {c, at_c}, {d, at_d}})
      if (height > best.value && log_noise >= from && log_noise <= to) best = {value(log_noise), std::exp(log_noise)};
    log_noise_ = std::log(best.noise);
    return best;
  }

 private:
  std::span<const CountGroup> groups_;
  double weight_;
  Dither dither_;
  double low_, high_, mean_ = 0.0, standard_deviation_ = 0.0;
  double log_noise_ = std::log(sure_noise);  ///< where the last search ended
};

/// Of one noise, over all levels: the likelihood is one peak, and its logarithm there nearly a parabola.
struct LevelPeak {
  double level = 0.0;
  double log_mass = 0.0;
};

LevelPeak peak_of(const Likelihood& likelihood, double from, double noise, Dither dither) {
  constexpr int newton_steps = 8;
  constexpr double tolerance = 1e-3;  // of the peak's own width
  const double spread = dither == Dither::none ? noise : std::hypot(noise, std::sqrt(1.0 / 12.0));
  const double nudge = 0.02 * spread, farthest = 0.5 * spread;
  double level = from, top = 0.0, curvature = 0.0;
  for (int i = 0; i < newton_steps; ++i) {
    const double below = likelihood.at(level - nudge, noise), above = likelihood.at(level + nudge, noise);
    top = likelihood.at(level, noise);
    curvature = std::max(1e-6, (2.0 * top - below - above) / (nudge * nudge));
    const double move = std::clamp((above - below) / (2.0 * nudge * curvature), -farthest, farthest);
    if (std::abs(move) * std::sqrt(curvature) < tolerance) break;
    level += move;
  }
  return {level, top + 0.5 * std::log(2.0 * M_PI / curvature)};
}

/// The level of the highest profile, near the mean of the counts.
double most_likely(Likelihood& likelihood) {
  double a = likelihood.mean() - 0.6, b = likelihood.mean() + 0.6;
  constexpr double golden = 0.6180339887498949;
  double c = b - golden * (b - a), d = a + golden * (b - a);
  double at_c = likelihood.profile(c).value, at_d = likelihood.profile(d).value;
  for (int i = 0; i < level_refinements; ++i) {
    if (at_c > at_d) {
      b = d, d = c, at_d = at_c;
      c = b - golden * (b - a), at_c = likelihood.profile(c).value;
    } else {
      a = c, c = d, at_c = at_d;
      d = a + golden * (b - a), at_d = likelihood.profile(d).value;
    }
  }
  return at_c > at_d ? c : d;
}

/// Where the profile falls below `least` between a level inside and one outside.
double edge(Likelihood& likelihood, double inside, double outside, double least) {
  for (int i = 0; i < bisections && std::abs(outside - inside) > edge_tolerance; ++i) {
    const double middle = 0.5 * (inside + outside);
    (likelihood.profile(middle).value >= least ? inside : outside) = middle;
  }
  return 0.5 * (inside + outside);
}

/// Degrees of freedom of the misfit: counts seen in each group, its number of readings and level and noise taken off.
double misfit_degrees_of_freedom(std::span<const CountGroup> groups) {
  double cells = -2.0;
  for (const CountGroup& group : groups)
    cells +=
        static_cast<double>(std::count_if(group.counts.begin(), group.counts.end(), [](double c) { return c > 0.0; })) -
        1.0;
  return cells;
}

/// Different counts seen, after the level's own movement is taken out.
std::size_t distinct_counts(std::span<const CountGroup> groups) {
  std::vector<std::int64_t> seen;
  for (const CountGroup& group : groups)
    for (std::size_t i = 0; i < group.counts.size(); ++i)
      if (group.counts[i] > 0.0) seen.push_back(group.lowest + static_cast<std::int64_t>(i));
  std::sort(seen.begin(), seen.end());
  return static_cast<std::size_t>(std::unique(seen.begin(), seen.end()) - seen.begin());
}

}  // namespace

double count_probability(double above, double noise, Dither dither) {
  if (dither == Dither::none) return between((above - 0.5) / noise, (above + 0.5) / noise);
  // The same averaged over a step; on the side where nothing cancels.
  const double far = -std::abs(above);
  return noise * (normal_ramp((far + 1.0) / noise) - 2.0 * normal_ramp(far / noise) + normal_ramp((far - 1.0) / noise));
}

QuantisedLevel quantised_level(std::span<const CountGroup> groups, double inflation, double degrees_of_freedom,
                               bool truncates, Dither dither) {
  QuantisedLevel result;
  bool any = false;
  for (const CountGroup& group : groups)
    any = any || std::any_of(group.counts.begin(), group.counts.end(), [](double c) { return c > 0.0; });
  if (!any) return result;
  const std::size_t distinct = distinct_counts(groups);
  if (distinct == 1 && groups.size() == 1) {
    // One count: any level within half a step is as likely as another.
    const auto& counts = groups[0].counts;
    const auto shown = std::find_if(counts.begin(), counts.end(), [](double c) { return c > 0.0; }) - counts.begin();
    result.level = static_cast<double>(groups[0].lowest + shown) - groups[0].offset + (truncates ? 0.5 : 0.0);
    result.half_width = 0.5;
    result.hard = true;
    return result;
  }
  Likelihood likelihood(groups, std::max(1.0, inflation), dither);
  const double top_level = most_likely(likelihood);
  const Likelihood::Best top = likelihood.profile(top_level);
  // One count is no estimate of a spread whose own uncertainty Student's t would make good.
  const double t = coverage_factor(0.95, distinct == 1 ? 1e9 : std::max(1.0, degrees_of_freedom));
  const double least = top.value - 0.5 * t * t;
  // No level further out than this can be: beyond it every count would be another one.
  const double reach = 1.0 + 2.0 * (likelihood.highest() - likelihood.lowest()) + t;
  // And what was shown is the power rounded: whatever the statistics, its mean is within half a count of what was
  // shown.
  const double low =
      std::max(edge(likelihood, top_level, top_level - reach, least), likelihood.lowest() - likelihood.reach());
  const double high =
      std::min(edge(likelihood, top_level, top_level + reach, least), likelihood.highest() + likelihood.reach());
  result.level = 0.5 * (low + high) + (truncates ? 0.5 : 0.0);
  result.half_width = 0.5 * (high - low);
  result.likeliest = top_level;
  const double degrees_of_freedom_left = std::max(0.0, misfit_degrees_of_freedom(groups));
  result.misfit = likelihood.misfit(top.value) - degrees_of_freedom_left;
  // Of a level that stays, counts which no noise explains may be those of a display that sticks: not judged here.
  result.gaussian = groups.size() == 1 || degrees_of_freedom_left < 1.0 ||
                    result.misfit < misfit_deviations * (std::sqrt(2.0 * degrees_of_freedom_left) + 1.0);
  const bool tells = dither == Dither::none ? distinct >= 3 && top.noise > noticeable_noise : distinct >= 2;
  result.separated = tells && result.gaussian;
  result.noise = top.noise > noticeable_noise ? top.noise : 0.0;
  return result;
}

double log_evidence(std::span<const CountGroup> groups, double inflation, const QuantisedLevel& found, Dither dither) {
  // From where it is highest either way until nothing more comes. The priors of level and logarithm of the noise are
  // even, and the same whatever the dither.
  constexpr double least = 0.01, most = 3.0;  // of a step: less is none, more averages the display out
  constexpr double first = 0.02, growth = 1.3, negligible = 12.0;
  const Likelihood likelihood(groups, std::max(1.0, inflation), dither);
  const double start = std::clamp(found.noise, least, most);
  const LevelPeak middle = peak_of(likelihood, found.likeliest, start, dither);
  double sum = 0.0;
  for (const double way : {-1.0, 1.0}) {
    LevelPeak last = middle;
    double at = std::log(start), stride = first;
    const double end = std::log(way < 0.0 ? least : most);
    while (way * (end - at) > 0.0 && last.log_mass > middle.log_mass - negligible) {
      const double next = way < 0.0 ? std::max(end, at - stride) : std::min(end, at + stride);
      const LevelPeak there = peak_of(likelihood, last.level, std::exp(next), dither);
      sum += 0.5 * std::abs(next - at) *
             (std::exp(last.log_mass - middle.log_mass) + std::exp(there.log_mass - middle.log_mass));
      last = there;
      at = next;
      stride *= growth;
    }
  }
  return middle.log_mass + std::log(std::max(sum, 1e-300));
}

double rounding_bias(double level, double noise) {
  double sum = 0.0;
  for (int k = 1; k <= 200; ++k) {
    const double damping = std::exp(-2.0 * M_PI * M_PI * k * k * noise * noise);
    sum += (k % 2 == 0 ? 1.0 : -1.0) / (M_PI * k) * damping * std::sin(2.0 * M_PI * k * level);
    if (damping < 1e-18) break;
  }
  return sum;
}

}  // namespace nightwatt
