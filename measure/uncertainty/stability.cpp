#include "measure/uncertainty/stability.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <vector>

#include "measure/signal/time_text.hpp"
#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/line_fit.hpp"
#include "measure/uncertainty/statistics.hpp"

namespace nightwatt {

namespace {

constexpr double shortest_record_s = 900.0;  // the rule's own least record
constexpr int fewest_cycles = 4;             // the rule's own, for cyclic loads
/// The record is averaged to so many bins before its period is sought: bounded work for any length.
constexpr std::size_t period_bins = 1024;
/// A peak of the autocorrelation this high is a cycle; noise that forgets slowly has none.
constexpr double cycle_correlation = 0.5;
/// A first peak that lies between two bins is lower than its multiples, but not below this share of the highest.
constexpr double first_peak_share = 0.7;
/// Swings smaller than this share of the level are noise to a reader ("common practice, no source": 3 to 5 %).
constexpr double cycle_share = 0.05;

/// Means over equal times; empty bins take their neighbour's.
std::vector<double> binned(const PowerSeries& power, std::size_t bins) {
  std::vector<double> sums(bins, 0.0), counts(bins, 0.0);
  const double begin = power.times_s.front();
  const double length = power.times_s.back() - begin;
  for (std::size_t i = 0; i < power.times_s.size(); ++i) {
    const auto bin =
        std::min(bins - 1, static_cast<std::size_t>((power.times_s[i] - begin) / length * static_cast<double>(bins)));
    sums[bin] += power.power_w[i];
    counts[bin] += 1.0;
  }
  double last = power.power_w.front();
  for (std::size_t b = 0; b < bins; ++b) {
    if (counts[b] > 0.0) last = sums[b] / counts[b];
    sums[b] = last;
  }
  return sums;
}

PowerSeries last_two_thirds(const PowerSeries& power) {
  const std::size_t size = std::min(power.times_s.size(), power.power_w.size());
  if (size == 0) return {};
  const double from = power.times_s[0] + (power.times_s[size - 1] - power.times_s[0]) / 3.0;
  const auto first = static_cast<std::size_t>(
      std::lower_bound(power.times_s.begin(), power.times_s.begin() + static_cast<std::ptrdiff_t>(size), from) -
      power.times_s.begin());
  return {power.times_s.subspan(first, size - first), power.power_w.subspan(first, size - first)};
}

/// Means of whole cycles against their middles.
struct CycleMeans {
  std::vector<double> middles_s, means_w;
};
CycleMeans cycle_means(const PowerSeries& power, double period_s) {
  CycleMeans means;
  const double begin = power.times_s.front();
  double sum = 0.0, count = 0.0;
  int cycle = 0;
  for (std::size_t i = 0; i < power.times_s.size(); ++i) {
    const int now = static_cast<int>((power.times_s[i] - begin) / period_s);
    if (now != cycle) {
      if (count > 0.0) {
        means.middles_s.push_back((cycle + 0.5) * period_s);
        means.means_w.push_back(sum / count);
      }
      sum = count = 0.0;
      cycle = now;
    }
    sum += power.power_w[i];
    count += 1.0;
  }
  return means;  // the last, broken cycle is left out
}

/// The period in bins from the first that was found, to a share of a bin: by the peaks of its multiples.
double refined_period(std::span<const double> means, std::size_t first) {
  double period = static_cast<double>(first);
  for (std::size_t multiple = 2; static_cast<double>(multiple) * period <= static_cast<double>(means.size()) / 2.0;
       ++multiple) {
    const auto near = static_cast<std::size_t>(std::llround(static_cast<double>(multiple) * period));
    std::size_t best = near;
    for (const std::size_t lag : {near - 1, near + 1})
      if (autocorrelation(means, lag) > autocorrelation(means, best)) best = lag;
    period = static_cast<double>(best) / static_cast<double>(multiple);
  }
  return period;
}

/// How much longer the record must be for the slope's uncertainty to fall to `wanted`: what noise does to it falls with
/// the length to the power 3/2, what a display hides with the length alone.
double times_longer(double u, double hidden, double wanted) {
  constexpr int halvings = 60;  // of the logarithm's range: far below a second
  const double noise = std::sqrt(std::max(0.0, u * u - hidden * hidden));
  double shorter = 1.0, longer = std::max(1.0, u / wanted);  // the slower of both laws
  for (int i = 0; i < halvings; ++i) {
    const double length = std::sqrt(shorter * longer);
    (std::hypot(noise / std::pow(length, 1.5), hidden / length) > wanted ? shorter : longer) = length;
  }
  return longer;
}

/// `hidden_w_per_h`: the part of the slope's uncertainty that is the display's.
void judge(StabilityVerdict& verdict, double record_s, double hidden_w_per_h) {
  const double slope = std::abs(verdict.slope_w_per_h);
  const double u = verdict.slope_uncertainty_w_per_h;
  if (record_s < shortest_record_s) {
    verdict.verdict = Stability::cannot_be_judged;
    verdict.needed_s = shortest_record_s;
  } else if (slope + u <= verdict.limit_w_per_h) {
    verdict.verdict = Stability::met;
  } else if (slope - u > verdict.limit_w_per_h) {
    verdict.verdict = Stability::not_met;
  } else {
    verdict.verdict = Stability::cannot_be_judged;
  }
  if (verdict.verdict != Stability::cannot_be_judged) return;
  // A slope that noise made lie near the limit would ask for ever: then what settles the matter for one half way off
  // it. One that is known well and does lie there is beyond any record.
  constexpr double unknown_share = 0.5, nearest_share = 0.1;  // of the limit
  const double nearest = (u >= unknown_share * verdict.limit_w_per_h ? unknown_share : nearest_share);
  const double wanted = std::max(std::abs(verdict.limit_w_per_h - slope), nearest * verdict.limit_w_per_h);
  if (!verdict.needed_s && u <= wanted) return;
  const double length = record_s * times_longer(u, hidden_w_per_h, wanted);
  verdict.needed_s = std::max({shortest_record_s, length, verdict.needed_s.value_or(0.0)});
}

/// Three significant digits, without an exponent and without zeros that say nothing.
std::string figure_number(double value) {
  if (value == 0.0 || !std::isfinite(value)) return "0";
  constexpr int most_decimals = 9;
  const int decimals = std::clamp(2 - static_cast<int>(std::floor(std::log10(std::abs(value)))), 0, most_decimals);
  std::array<char, 400> text;  // the largest double has 309 digits before the point
  const auto [end, error] =
      std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed, decimals);
  std::string number(text.data(), end);
  if (decimals == 0) return number;
  number.erase(number.find_last_not_of('0') + 1);
  if (number.back() == '.') number.pop_back();
  return number == "-0" ? "0" : number;
}

std::string rate_text(double w_per_h) {
  const bool small = std::abs(w_per_h) < 1.0;
  return figure_number(small ? w_per_h * 1000.0 : w_per_h) + (small ? " mW/h" : " W/h");
}

std::string words_of(const StabilityVerdict& verdict) {
  std::string slope = "slope " + rate_text(verdict.slope_w_per_h) + " \u00b1 " +
                      rate_text(verdict.slope_uncertainty_w_per_h) + ", limit " + rate_text(verdict.limit_w_per_h);
  if (verdict.cycle_s)
    slope +=
        ", by " + std::to_string(verdict.cycles) + " whole cycles of " + duration_text({std::round(*verdict.cycle_s)});
  switch (verdict.verdict) {
    case Stability::met:
      return "stable: " + slope;
    case Stability::not_met:
      return "not stable: " + slope;
    case Stability::cannot_be_judged:
      break;
  }
  return "stability cannot be judged: " + slope + "; " +
         (verdict.needed_s ? "a record of " + duration_text({*verdict.needed_s}) + " would tell"
                           : "too near the limit for a longer record to tell soon");
}

}  // namespace

double stability_limit_w_per_h(double level_w) {
  return std::max(0.010, 0.01 * std::abs(level_w));
}

std::optional<double> cycle_period_s(const PowerSeries& power, double step_w) {
  const std::size_t size = std::min(power.times_s.size(), power.power_w.size());
  if (size < 16 || !(power.times_s[size - 1] > power.times_s[0])) return std::nullopt;
  const std::size_t bins = std::min(period_bins, size);
  const std::vector<double> means = binned({power.times_s.first(size), power.power_w.first(size)}, bins);
  const Spread spread = spread_of(means);
  if (spread.standard_deviation < std::max(cycle_share * std::abs(spread.mean) / 2.0, step_w)) return std::nullopt;
  // Past the first zero crossing, the highest peak within the lags that leave two cycles.
  std::size_t lag = 1;
  while (lag < bins / 2 && autocorrelation(means, lag) > 0.0) ++lag;
  std::vector<double> peaks;  // of each lag from there; later lags have fewer pairs, the share makes up for it
  for (std::size_t later = lag; later <= bins / 2; ++later)
    peaks.push_back(autocorrelation(means, later) * static_cast<double>(bins) / static_cast<double>(bins - later));
  if (peaks.empty()) return std::nullopt;
  const double high = std::max(cycle_correlation, first_peak_share * *std::max_element(peaks.begin(), peaks.end()));
  std::size_t first = 0;
  while (first < peaks.size() && peaks[first] < high) ++first;
  if (first == peaks.size()) return std::nullopt;
  while (first + 1 < peaks.size() && peaks[first + 1] > peaks[first]) ++first;
  const std::size_t best_lag = lag + first;
  return refined_period(means, best_lag) * (power.times_s[size - 1] - power.times_s[0]) / static_cast<double>(bins);
}

std::optional<StabilityVerdict> stability(const BudgetInput& input) {
  const std::size_t size = std::min(input.power.times_s.size(), input.power.power_w.size());
  if (size < 3) return std::nullopt;
  const std::optional<LevelBudget> budget = level_budget(input);
  if (!budget) return std::nullopt;
  StabilityVerdict verdict;
  const double record_s = input.power.times_s[size - 1] - input.power.times_s[0];
  verdict.slope_w_per_h = budget->slope_w_per_h;
  verdict.slope_uncertainty_w_per_h = budget->slope_uncertainty_w_per_h;
  // Where the readings do not tell the noise, rounding hides up to one count over the part that is fitted.
  double hidden_w_per_h = budget->noise_w ? 0.0 : 3600.0 * budget->step_w / (2.0 / 3.0 * std::max(1e-6, record_s));
  double level_w = budget->level_w;
  const PowerSeries part = last_two_thirds(input.power);
  if (const std::optional<double> period = cycle_period_s(part, budget->step_w)) {
    const CycleMeans means = cycle_means(part, *period);
    verdict.cycle_s = period;
    verdict.cycles = static_cast<int>(means.means_w.size());
    level_w = spread_of(means.means_w).mean;
    if (const std::optional<LineFit> line = fit_line(means.middles_s, means.means_w);
        line && verdict.cycles >= fewest_cycles) {
      verdict.slope_w_per_h = line->slope * 3600.0;
      verdict.slope_uncertainty_w_per_h =
          line->slope_standard_deviation * 3600.0 * coverage_factor(0.95, line->degrees_of_freedom);
      hidden_w_per_h = 0.0;
    }
  }
  verdict.limit_w_per_h = stability_limit_w_per_h(level_w);
  if (verdict.cycle_s && verdict.cycles < fewest_cycles) {
    verdict.needed_s = std::max(shortest_record_s, 1.5 * (fewest_cycles + 1) * *verdict.cycle_s);
    verdict.words =
        "stability cannot be judged: a cycling load needs four whole cycles in the last two thirds, a record of " +
        duration_text({*verdict.needed_s});
    return verdict;
  }
  judge(verdict, record_s, hidden_w_per_h);
  verdict.words = words_of(verdict);
  return verdict;
}

}  // namespace nightwatt
