#include "measure/level_budget.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <limits>
#include <map>

#include "measure/distributions.hpp"
#include "measure/line_fit.hpp"
#include "measure/long_run.hpp"
#include "measure/quantised_level.hpp"
#include "measure/statistics.hpp"

namespace nightwatt {

namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();
/// A reading this many deviations (of the middle half, as if normal) from the median is an excursion, where few are.
constexpr double excursion_deviations = 6.0;
constexpr double excursion_share = 0.1;
/// A slope this many of its own uncertainties from zero is the level's drift and not its noise.
constexpr double drift_significance = 4.0;
/// From here on rounding is as good as a little more noise: its bias is below 1e-8 of a step (Widrow, Kollar & Liu
/// 1996).
constexpr double dithered_steps = 1.0;
/// A drifting level is taken as constant within this many parts of the time.
constexpr std::size_t drift_groups = 12;
/// A creeping level is still where fewer readings than this share differ from the one before and none lies further from
/// the line than this many steps.
constexpr double still_changes = 0.1;
constexpr double still_reach = 0.65;
/// More distinct values than this and the display step is far below the noise.
constexpr std::size_t distinct_limit = 4096;
/// So many more equal neighbours than chance makes, and the meter holds its readings.
constexpr double hold_excess = 0.2;

struct Part {
  std::vector<double> times_s;
  std::vector<double> power_w;
};

double median_of(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// The last two thirds in time, excursions left out.
Part quoted_part(const PowerSeries& series, double step_w) {
  Part part;
  const std::size_t size = std::min(series.times_s.size(), series.power_w.size());
  if (size == 0) return part;
  const double from = series.times_s[0] + (series.times_s[size - 1] - series.times_s[0]) / 3.0;
  for (std::size_t i = 0; i < size; ++i) {
    if (series.times_s[i] < from && size > 3) continue;
    part.times_s.push_back(series.times_s[i]);
    part.power_w.push_back(series.power_w[i]);
  }
  const double median = median_of(part.power_w);
  std::vector<double> off;
  for (const double power : part.power_w) off.push_back(std::abs(power - median));
  const double limit = excursion_deviations * std::max(1.4826 * median_of(off), step_w);
  const auto outside = std::count_if(off.begin(), off.end(), [&](double d) { return d > limit; });
  if (outside == 0 || static_cast<double>(outside) > excursion_share * static_cast<double>(off.size())) return part;
  Part kept;
  for (std::size_t i = 0; i < off.size(); ++i) {
    if (off[i] > limit) continue;
    kept.times_s.push_back(part.times_s[i]);
    kept.power_w.push_back(part.power_w[i]);
  }
  return kept;
}

/// Statistics of the readings about their own slope, where they have one.
struct Scatter {
  double mean_w = 0.0;
  double deviation_w = 0.0;
  LongRun run;
  double slope_w_per_s = 0.0;      ///< as fitted
  double slope_uncertainty = 0.0;  ///< standard, correlation counted
  double slope_freedom = 1.0;
  bool drifts = false;
  double centre_s = 0.0;
  double hold = 1.0;  ///< readings per new value of the meter, where it holds them
};

/// One reading for each run of equal ones, and how many readings a new one is worth.
double held_readings(const std::vector<double>& values, std::vector<double>& news) {
  std::vector<double> sorted = values;
  std::sort(sorted.begin(), sorted.end());
  double chance = 0.0;
  for (std::size_t i = 0; i < sorted.size();) {
    std::size_t j = i;
    while (j < sorted.size() && sorted[j] == sorted[i]) ++j;
    const double share = static_cast<double>(j - i) / static_cast<double>(sorted.size());
    chance += share * share;
    i = j;
  }
  double squares = 0.0, length = 0.0;
  news.clear();
  for (std::size_t i = 0; i < values.size(); ++i) {
    if (i == 0 || values[i] != values[i - 1]) {
      squares += length * length;
      length = 0.0;
      news.push_back(values[i]);
    }
    length += 1.0;
  }
  squares += length * length;
  const auto count = static_cast<double>(values.size());
  const double equal = 1.0 - static_cast<double>(news.size() - 1) / std::max(1.0, count - 1.0);
  if (equal < chance + hold_excess || chance > 0.5 - hold_excess) return 1.0;
  return squares / count;  // readings weigh as long as they were held
}

LongRun correlation_of(const std::vector<double>& values, double& hold) {
  std::vector<double> news;
  hold = held_readings(values, news);
  if (hold <= 1.0) return long_run(values);
  LongRun run = long_run(news);
  const auto count = static_cast<double>(values.size());
  run.inflation = std::min(count, run.inflation * hold);
  run.effective = count / run.inflation;
  run.freedom = std::max(1.0, std::min(run.freedom, run.effective - 1.0));
  return run;
}

Scatter scatter_of(const Part& part) {
  Scatter scatter;
  const Spread spread = spread_of(part.power_w);
  scatter.mean_w = spread.mean;
  scatter.deviation_w = spread.deviation;
  scatter.centre_s = spread_of(part.times_s).mean;
  std::vector<double> times;
  for (const double t : part.times_s) times.push_back(t - scatter.centre_s);
  const std::optional<LineFit> line = fit_line(times, part.power_w);
  scatter.run = correlation_of(part.power_w, scatter.hold);
  if (!line) return scatter;
  std::vector<double> residuals;
  for (std::size_t i = 0; i < times.size(); ++i) residuals.push_back(part.power_w[i] - line->at(times[i]));
  double hold = 1.0;
  LongRun about_line = long_run(residuals);
  if (scatter.hold > 1.0) {
    about_line.inflation = std::max(about_line.inflation, scatter.hold);
    hold = scatter.hold;
  }
  scatter.slope_w_per_s = line->slope;
  scatter.slope_uncertainty = line->slope_deviation * std::sqrt(about_line.inflation);
  scatter.slope_freedom = std::max(1.0, about_line.effective - 2.0);
  if (std::abs(line->slope) > drift_significance * scatter.slope_uncertainty) {
    scatter.drifts = true;
    scatter.deviation_w = line->residual_deviation;
    scatter.run = about_line;
    scatter.run.freedom = std::max(1.0, about_line.freedom - 1.0);
    scatter.hold = hold;
  }
  return scatter;
}

/// Readings as counts of the step; nullopt where they do not lie on its grid.
std::optional<std::vector<std::int64_t>> counts_of(const std::vector<double>& power_w, double step_w) {
  std::vector<std::int64_t> counts;
  counts.reserve(power_w.size());
  for (const double power : power_w) {
    const double steps = power / step_w;
    if (!(std::abs(steps) < 1e15) || std::abs(steps - std::round(steps)) > 0.01) return std::nullopt;
    counts.push_back(static_cast<std::int64_t>(std::llround(steps)));
  }
  return counts;
}

CountGroup group_of(std::span<const std::int64_t> counts, double offset) {
  CountGroup group;
  group.offset = offset;
  const auto [low, high] = std::minmax_element(counts.begin(), counts.end());
  group.lowest = *low;
  group.counts.assign(static_cast<std::size_t>(*high - *low) + 1, 0.0);
  for (const std::int64_t count : counts) group.counts[static_cast<std::size_t>(count - *low)] += 1.0;
  return group;
}

std::vector<CountGroup> groups_of(const std::vector<std::int64_t>& counts, const Part& part, const Scatter& scatter,
                                  double step_w) {
  const std::span<const std::int64_t> all(counts);
  if (!scatter.drifts) return {group_of(all, 0.0)};
  std::vector<CountGroup> groups;
  const std::size_t number = std::min(drift_groups, counts.size());
  for (std::size_t g = 0; g < number; ++g) {
    const std::size_t a = g * counts.size() / number, b = (g + 1) * counts.size() / number;
    double middle_s = 0.0;
    for (std::size_t i = a; i < b; ++i) middle_s += part.times_s[i];
    middle_s = middle_s / static_cast<double>(b - a) - scatter.centre_s;
    groups.push_back(group_of(all.subspan(a, b - a), scatter.slope_w_per_s * middle_s / step_w));
  }
  return groups;
}

std::string number_text(double value, int digits = 3) {
  std::array<char, 32> text;
  const auto [end, error] =
      std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::general, digits);
  return std::string(text.data(), end);
}

/// Collects the parts of one budget.
class Maker {
 public:
  explicit Maker(const BudgetInput& input) : input_(input) {}

  std::optional<LevelBudget> make() {
    const std::size_t size = std::min(input_.power.times_s.size(), input_.power.power_w.size());
    if (size == 0) return std::nullopt;
    budget_.step_w = input_.step_w > 0.0 ? input_.step_w : input_.traits.resolution_w.value_or(0.0);
    if (!(budget_.step_w > 0.0)) budget_.step_w = learnt_step(input_.power.power_w.first(size));
    part_ = quoted_part(input_.power, budget_.step_w);
    scatter_ = scatter_of(part_);
    budget_.readings = static_cast<std::int64_t>(part_.power_w.size());
    budget_.effective_readings = static_cast<double>(budget_.readings) / scatter_.run.inflation;
    power_level();
    join_counter();
    drift();
    accuracy();
    finish();
    return budget_;
  }

 private:
  void add(std::string name, double uncertainty_w, double freedom, bool rectangular, std::string how) {
    budget_.parts.push_back({std::move(name), uncertainty_w, freedom, rectangular, 0.0, std::move(how)});
  }

  void power_level() {
    const double step = budget_.step_w;
    const std::optional<std::vector<std::int64_t>> counts = step > 0.0 ? counts_of(part_.power_w, step) : std::nullopt;
    const bool fine = scatter_.deviation_w >= dithered_steps * step;
    if (counts && !fine &&
        *std::max_element(counts->begin(), counts->end()) - *std::min_element(counts->begin(), counts->end()) <
            static_cast<std::int64_t>(distinct_limit)) {
      from_counts(*counts);
      return;
    }
    const auto count = static_cast<double>(budget_.readings);
    budget_.level_w = time_mean() + (input_.truncates ? 0.5 * step : 0.0);
    const double statistics = scatter_.deviation_w * std::sqrt(scatter_.run.inflation / count);
    add("statistics", statistics, scatter_.run.freedom, false, scatter_words());
    if (scatter_.deviation_w > 0.0) budget_.noise_w = scatter_.deviation_w;
    if (!fine && step > 0.0) {
      // Readings off the display's own grid: somebody averaged them, nobody knows how.
      add("display step", step / std::sqrt(12.0), infinity, true,
          "readings do not lie on the step of " + number_text(step) + " W");
    } else if (step > 0.0) {
      const double noise =
          std::sqrt(std::max(0.0, scatter_.deviation_w * scatter_.deviation_w / (step * step) - 1.0 / 12.0));
      const double bias = step / M_PI * std::exp(-2.0 * M_PI * M_PI * noise * noise);
      add("display step", bias / std::sqrt(3.0), infinity, true,
          "step " + number_text(step) + " W, averaged out by noise of " + number_text(noise * step) + " W");
    }
  }

  /// Below the display step: level and noise that make these counts likely.
  void from_counts(const std::vector<std::int64_t>& counts) {
    const double step = budget_.step_w;
    if (scatter_.drifts && still_drift(counts)) return;
    const std::vector<CountGroup> groups = groups_of(counts, part_, scatter_, step);
    const QuantisedLevel found =
        quantised_level(groups, scatter_.run.inflation, scatter_.run.freedom, input_.truncates);
    budget_.level_w = found.level * step;
    budget_.bounded_by_display = display_hides_ = !found.separated;
    if (found.separated) {
      budget_.noise_w = found.noise * step;
      const double t = coverage_factor(0.95, scatter_.run.freedom);
      add("statistics", found.half_width * step / t, scatter_.run.freedom, false,
          scatter_words() + ", most likely level behind a step of " + number_text(step) + " W");
      add("display step", 0.0, infinity, true, "in the statistics: the counts tell level and noise apart");
    } else {
      add("statistics", 0.0, infinity, false, "in the display step: the counts do not tell level and noise apart");
      // Not shortened to 95 % of the rectangle as if levels were spread evenly over it, but to 98 %: a level near the
      // edge of a count is nothing rare.
      add("display step", found.half_width * step * (0.98 / 0.95) / std::sqrt(3.0), infinity, true,
          "all that a step of " + number_text(step) + " W leaves open");
    }
  }

  /// A level that creeps across counts without noise: each count is left once, and over a whole count the errors of
  /// rounding cancel. What is left is the broken count at either end.
  bool still_drift(const std::vector<std::int64_t>& counts) {
    std::int64_t changes = 0;
    for (std::size_t i = 1; i < counts.size(); ++i) changes += counts[i] != counts[i - 1] ? 1 : 0;
    const auto [low, high] = std::minmax_element(counts.begin(), counts.end());
    const double step = budget_.step_w;
    if (*high == *low || static_cast<double>(changes) > still_changes * static_cast<double>(counts.size()))
      return false;
    // Without noise no reading is further than half a step from the line it creeps along.
    std::size_t off = 0;
    for (std::size_t i = 0; i < counts.size(); ++i) {
      const double line = scatter_.mean_w + scatter_.slope_w_per_s * (part_.times_s[i] - scatter_.centre_s);
      if (std::abs(part_.power_w[i] - line) > still_reach * step) ++off;
    }
    if (static_cast<double>(off) > 0.005 * static_cast<double>(counts.size())) return false;
    budget_.level_w = time_mean() + (input_.truncates ? 0.5 * step : 0.0);
    budget_.bounded_by_display = display_hides_ = true;
    add("statistics", 0.0, infinity, false, "in the display step: the level creeps from count to count");
    add("display step", 0.5 * step / static_cast<double>(*high - *low) / std::sqrt(3.0), infinity, true,
        "the broken counts at both ends of a drift over " + std::to_string(*high - *low + 1) + " counts");
    return true;
  }

  [[nodiscard]] std::string scatter_words() const {
    std::string words = std::to_string(budget_.readings) + " readings, worth " +
                        number_text(budget_.effective_readings, 4) + " independent ones";
    if (scatter_.hold > 1.0) words += ", the meter holds each for " + number_text(scatter_.hold, 2);
    return words;
  }

  /// Weighted by time, so that uneven reading does not favour a part of the record.
  [[nodiscard]] double time_mean() const {
    const std::size_t size = part_.times_s.size();
    if (size < 3) return scatter_.mean_w;
    std::vector<double> intervals;
    for (std::size_t i = 1; i < size; ++i) intervals.push_back(part_.times_s[i] - part_.times_s[i - 1]);
    const double median = median_of(intervals);
    // Where a gap or left-out excursion lies between two readings, the time there is nobody's.
    const double most = 5.0 * median;
    double weight = 0.0, sum = 0.0;
    for (std::size_t i = 0; i < size; ++i) {
      const double before = i > 0 ? std::min(intervals[i - 1], most) : median;
      const double after = i + 1 < size ? std::min(intervals[i], most) : median;
      weight += before + after;
      sum += (before + after) * (part_.power_w[i] - scatter_.mean_w);
    }
    return weight > 0.0 ? scatter_.mean_w + sum / weight : scatter_.mean_w;
  }

  void join_counter() {
    if (input_.counter.times_s.empty()) return;
    // The same time as the power: the last two thirds.
    const double from = part_.times_s.front();
    std::vector<double> times, energies;
    for (std::size_t i = 0; i < std::min(input_.counter.times_s.size(), input_.counter.counter_wh.size()); ++i) {
      if (input_.counter.times_s[i] < from) continue;
      times.push_back(input_.counter.times_s[i]);
      energies.push_back(input_.counter.counter_wh[i]);
    }
    budget_.counter = counter_level({times, energies}, input_.traits.energy_step_wh.value_or(0.0));
    if (!budget_.counter) {
      budget_.warnings.push_back("the energy counter moved too little to help with this level");
      return;
    }
    CounterLevel& counter = *budget_.counter;
    const double whole_s = part_.times_s.back() - part_.times_s.front();
    const double power_u = combined(budget_.parts);
    // What the counter does not cover of the time may have had another mean.
    const double uncovered = whole_s > 0.0 ? std::clamp(1.0 - counter.covered_s / whole_s, 0.0, 1.0) : 1.0;
    const double statistics =
        scatter_.deviation_w * std::sqrt(scatter_.run.inflation / static_cast<double>(budget_.readings));
    const double drifted = scatter_.drifts ? std::abs(scatter_.slope_w_per_s) * whole_s * uncovered / 2.0 : 0.0;
    const double elsewhere = std::hypot(statistics * std::sqrt(uncovered / std::max(1e-9, 1.0 - uncovered)), drifted);
    counter.uncertainty_w = std::hypot(counter.uncertainty_w, elsewhere);
    const double apart = counter.level_w - budget_.level_w;
    const double apart_u = std::hypot(power_u, counter.uncertainty_w);
    const bool disagree = std::abs(apart) > 2.0 * apart_u;
    if (disagree)
      budget_.warnings.push_back("the energy counter says " + number_text(counter.level_w, 5) +
                                 " W, the power readings " + number_text(budget_.level_w, 5) +
                                 " W: more apart than their uncertainties; a wrong scale or a slipping clock?");
    const double power_weight = 1.0 / (power_u * power_u);
    const double counter_weight = 1.0 / (counter.uncertainty_w * counter.uncertainty_w);
    const double share = counter.uncertainty_w > 0.0 && power_u > 0.0 ? counter_weight / (power_weight + counter_weight)
                                                                      : (power_u > 0.0 ? 1.0 : 0.0);
    budget_.level_w += share * apart;
    for (BudgetPart& part : budget_.parts) part.uncertainty_w *= 1.0 - share;
    if (share > 0.5) budget_.bounded_by_display = false;
    add("energy counter", share * counter.uncertainty_w, infinity, false,
        std::to_string(counter.ticks) + " ticks, weight " + number_text(100.0 * share, 3) + " %");
    // One of the two is wrong and nobody knows which: the interval reaches both.
    if (disagree)
      add("disagreement", std::max(share, 1.0 - share) * std::abs(apart) / 0.95 / std::sqrt(3.0), infinity, true,
          "the counter and the power readings contradict each other");
  }

  static double combined(const std::vector<BudgetPart>& parts) {
    double squares = 0.0;
    for (const BudgetPart& part : parts) squares += part.uncertainty_w * part.uncertainty_w;
    return std::sqrt(squares);
  }

  /// A drifting level is quoted for the middle of its time; readings that crowd elsewhere move it.
  void drift() {
    budget_.slope_w_per_h = scatter_.slope_w_per_s * 3600.0;
    budget_.slope_uncertainty_w_per_h =
        3600.0 * scatter_.slope_uncertainty * nightwatt::coverage_factor(0.95, scatter_.slope_freedom);
    const double whole_s = part_.times_s.back() - part_.times_s.front();
    if (whole_s > 0.0) {
      // Rounding may hide as much slope as makes one more count over the time, unless noise averages it out.
      if (display_hides_)
        budget_.slope_uncertainty_w_per_h =
            std::hypot(budget_.slope_uncertainty_w_per_h, 3600.0 * budget_.step_w / whole_s);
    }
    if (!scatter_.drifts) return;
    const double middle_s = 0.5 * (part_.times_s.back() + part_.times_s.front());
    const double off = std::abs(scatter_.slope_w_per_s) * std::abs(scatter_.centre_s - middle_s);
    add("drift", off / std::sqrt(3.0), infinity, true,
        number_text(budget_.slope_w_per_h) + " W/h; the level is that of the middle of the time");
  }

  void accuracy() {
    if (!input_.traits.accuracy) {
      budget_.warnings.push_back("the meter's accuracy is not known: the interval is that of a perfect meter");
      return;
    }
    const Accuracy& accuracy = *input_.traits.accuracy;
    add("meter accuracy", accuracy.half_width(budget_.level_w) / std::sqrt(3.0), infinity, true, accuracy.text());
    if (!accuracy.meter_class.empty())
      budget_.warnings.push_back(
          "a meter class promises nothing below the meter's minimum current: see its data sheet");
  }

  void finish() {
    std::vector<UncertaintyPart> parts;
    for (const BudgetPart& part : budget_.parts) parts.push_back({part.uncertainty_w, part.freedom});
    budget_.standard_w = combined_uncertainty(parts);
    if (!(budget_.standard_w > 0.0)) {
      // Two equal readings of an unknown display: nothing says how far off they may be.
      const double step = budget_.step_w > 0.0 ? budget_.step_w : std::max(1e-3, std::abs(budget_.level_w) * 0.01);
      add("display step", step / std::sqrt(12.0), infinity, true, "the step is not known: 1 % of the reading assumed");
      budget_.warnings.push_back(
          "the display step is not known and the readings do not show it: give it in the profile or with --resolution");
      budget_.standard_w = step / std::sqrt(12.0);
      parts.push_back({budget_.standard_w, infinity});
    }
    budget_.freedom = effective_freedom(parts);
    const double variance = budget_.standard_w * budget_.standard_w;
    for (BudgetPart& part : budget_.parts) part.share = part.uncertainty_w * part.uncertainty_w / variance;
    budget_.uncertainty_w = expanded_uncertainty(budget_.parts);
    budget_.coverage_factor = budget_.uncertainty_w / budget_.standard_w;
    if (budget_.readings < 3) budget_.warnings.push_back("fewer than three readings");
  }

  const BudgetInput& input_;
  Part part_;
  Scatter scatter_;
  LevelBudget budget_;
  bool display_hides_ = false;  ///< rounding is not averaged out by noise
};

/// P(|R + N| <= u): R the sum of two centred rectangulars of half-widths a >= b, N normal of deviation s.
double probability_within(double u, double a, double b, double s) {
  const auto normal_within = [&](double off) {
    if (s <= 0.0) return std::abs(off) <= u ? 1.0 : 0.0;
    return normal_cdf((u - off) / s) - normal_cdf((-u - off) / s);
  };
  if (a <= 0.0) return normal_within(0.0);
  // Density of R: flat to a - b, falling to zero at a + b. Symmetric: one side, midpoint rule.
  constexpr int cells = 400;
  const double reach = a + b;
  double mass = 0.0, inside = 0.0;
  for (int i = 0; i < cells; ++i) {
    const double x = (i + 0.5) * reach / cells;
    const double density = x <= a - b ? 1.0 : (b > 0.0 ? (reach - x) / (2.0 * b) : 0.0);
    mass += density;
    inside += density * normal_within(x);
  }
  return inside / mass;
}

}  // namespace

std::optional<LevelBudget> level_budget(const BudgetInput& input) {
  return Maker(input).make();
}

double expanded_uncertainty(std::span<const BudgetPart> parts, double probability) {
  // The two widest rectangular parts keep their shape; more of them add up to nearly a normal one.
  std::array<double, 2> widest{};
  double normal_squares = 0.0;
  const double normal_factor = normal_quantile(0.5 + 0.5 * probability);
  for (const BudgetPart& part : parts) {
    double u = part.uncertainty_w;
    if (!part.rectangular) {
      u *= coverage_factor(probability, part.freedom) / normal_factor;
      normal_squares += u * u;
      continue;
    }
    double half_width = u * std::sqrt(3.0);
    for (double& wide : widest)
      if (half_width > wide) std::swap(half_width, wide);
    normal_squares += half_width * half_width / 3.0;
  }
  const double s = std::sqrt(normal_squares);
  double low = 0.0, high = widest[0] + widest[1] + 40.0 * s;
  if (!(high > 0.0)) return 0.0;
  for (int i = 0; i < 60 && high - low > 1e-7 * high; ++i) {
    const double middle = 0.5 * (low + high);
    (probability_within(middle, widest[0], widest[1], s) < probability ? low : high) = middle;
  }
  return high;
}

double learnt_step(std::span<const double> power_w) {
  std::vector<double> distinct(power_w.begin(), power_w.end());
  std::sort(distinct.begin(), distinct.end());
  double step = 0.0;
  for (std::size_t i = 1; i < distinct.size(); ++i) {
    const double difference = distinct[i] - distinct[i - 1];
    // Decimal readings as doubles differ by a count or by rounding of the double, nothing between.
    if (difference > 1e-9 * std::max(1.0, std::abs(distinct[i])) && (step == 0.0 || difference < step))
      step = difference;
  }
  return step;
}

std::optional<CounterLevel> counter_level(const CounterSeries& counter, double step_wh) {
  const std::size_t size = std::min(counter.times_s.size(), counter.counter_wh.size());
  struct Tick {
    double middle_s, width_s, counter_wh;
  };
  std::optional<Tick> first, last;
  CounterLevel level;
  double smallest = 0.0;
  std::int64_t changes = 0;
  for (std::size_t i = 1; i < size; ++i) {
    const double change = counter.counter_wh[i] - counter.counter_wh[i - 1];
    if (change < 0.0) return std::nullopt;  // a wrap or reset within the level: its energy is RunTotals' to say
    if (change == 0.0) continue;
    if (smallest == 0.0 || change < smallest) smallest = change;
    ++changes;
    last = Tick{0.5 * (counter.times_s[i] + counter.times_s[i - 1]), counter.times_s[i] - counter.times_s[i - 1],
                counter.counter_wh[i]};
    if (!first) first = last;
  }
  if (changes < 2 || !(last->middle_s > first->middle_s)) return std::nullopt;
  const double step = step_wh > 0.0 ? step_wh : smallest;
  level.covered_s = last->middle_s - first->middle_s;
  level.level_w = (last->counter_wh - first->counter_wh) * 3600.0 / level.covered_s;
  level.ticks = static_cast<std::int64_t>(std::llround((last->counter_wh - first->counter_wh) / step)) + 1;
  const double instants = std::sqrt((first->width_s * first->width_s + last->width_s * last->width_s) / 12.0);
  level.uncertainty_w = level.level_w * instants / level.covered_s;
  return level;
}

}  // namespace nightwatt
