#include "baseline_days.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <map>

#include "figures/curve.hpp"
#include "measure/signal/time_text.hpp"
#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/line_fit.hpp"
#include "measure/uncertainty/statistics.hpp"

namespace nightwatt::figures {
namespace {

constexpr std::int64_t hour_us = 3'600'000'000;
/// Ten years of hours: a run that lasts longer is looked at in as many longer pieces.
constexpr std::int64_t most_hours = 87'660;
constexpr std::size_t least_days = 3;
/// A day counts where half of it was spent at idle.
constexpr std::size_t least_hours_a_day = 12;
/// One pattern of the day in 200 is chance alone, over all its hours.
constexpr double pattern_false = 1.0 / 200.0;
constexpr std::size_t hours_a_day = 24;

struct Day {
  UtcTime begin;
  std::map<std::size_t, double> hours;  ///< mean power by local hour
};

/// `2026-01-05 21:00...`: the hour stands behind the date, however it is written after it.
std::size_t local_hour(UtcTime shown) {
  const std::string text = local_text(shown);
  std::size_t hour = 0;
  if (text.size() >= 13) std::from_chars(text.data() + 11, text.data() + 13, hour);
  return std::min(hour, hours_a_day - 1);
}

std::vector<Day> days_of(const std::vector<Bin>& bins, Duration utc_offset) {
  std::vector<Day> days;
  std::string date;
  for (const Bin& bin : bins) {
    if (bin.samples == 0 || bin.kind != SegmentKind::idle) continue;
    const UtcTime shown = bin.begin + utc_offset;
    const std::string today = local_text(shown).substr(0, 10);
    if (today != date) days.push_back({shown, {}});
    date = today;
    days.back().hours[local_hour(shown)] = bin.mean_w;
  }
  std::erase_if(days, [](const Day& day) { return day.hours.size() < least_hours_a_day; });
  return days;
}

double mean_of(const Day& day) {
  Moments moments;
  for (const auto& [hour, watts] : day.hours) moments.add(watts);
  return moments.mean();
}

/// Each hour's distance from its own day's mean, over the days: the scatter between days is its uncertainty.
void find_pattern(LongBaseline& found, const std::vector<Day>& days) {
  std::vector<Moments> off(hours_a_day);
  for (const Day& day : days) {
    const double mean = mean_of(day);
    for (const auto& [hour, watts] : day.hours) off[hour].add(watts - mean);
  }
  for (const Moments& hour : off) {
    found.hours.emplace_back();
    const auto n = static_cast<double>(hour.count());
    if (hour.count() < static_cast<std::int64_t>(least_days)) continue;
    const double standard = hour.standard_deviation() / std::sqrt(n);
    found.hours.back() = Slope{hour.mean(), coverage_factor(n - 1.0) * standard};
    const double far = student_quantile(1.0 - 0.5 * pattern_false / static_cast<double>(hours_a_day), n - 1.0);
    found.has_pattern = found.has_pattern || (standard > 0.0 && std::abs(hour.mean()) > far * standard);
  }
}

}  // namespace

Result<std::optional<LongBaseline>> long_baseline(const storage::StoreReader& store, const RunRecord& record) {
  if (record.info.origin == storage::RunOrigin::entered || !record.summary.idle) return std::nullopt;
  const auto window = whole_run(store, record);
  if (!window) return tl::unexpected(window.error());
  const std::int64_t hours = (window->to - window->from).count() / hour_us;
  if (hours < static_cast<std::int64_t>(least_days * least_hours_a_day)) return std::nullopt;
  const auto bins = curve_of(store, record, *window, static_cast<std::size_t>(std::min(hours, most_hours)));
  if (!bins) return tl::unexpected(bins.error());
  const std::vector<Day> days = days_of(*bins, record.utc_offset);
  if (days.size() < least_days) return std::nullopt;
  LongBaseline found;
  std::vector<double> x, y;
  for (const Day& day : days) {
    Moments moments;
    for (const auto& [hour, watts] : day.hours) moments.add(watts);
    NightLevel level;
    level.day = static_cast<double>(day.begin.us) / (24.0 * static_cast<double>(hour_us));
    level.level_w = moments.mean();
    level.random_w = moments.standard_deviation() / std::sqrt(static_cast<double>(moments.count()));
    found.days.push_back(level);
    found.day_begins.push_back(day.begin);
    x.push_back(level.day);
    y.push_back(level.level_w);
  }
  if (const auto line = fit_line(x, y))
    found.drift_w_per_week =
        Slope{7.0 * line->slope, 7.0 * coverage_factor(line->degrees_of_freedom) * line->slope_standard_deviation};
  HistorySettings settings;
  if (record.info.traits.accuracy)
    settings.gain_standard_deviation = record.info.traits.accuracy->percent / 100.0 / std::sqrt(3.0);
  found.verdict = judge_history(found.days, settings);
  find_pattern(found, days);
  return found;
}

}  // namespace nightwatt::figures
