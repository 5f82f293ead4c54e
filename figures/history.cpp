#include "figures/history.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <map>
#include <set>

#include "baseline_days.hpp"
#include "figures/runs.hpp"
#include "measure/signal/advice.hpp"
#include "measure/signal/time_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::figures {
namespace {

constexpr double seconds_a_day = 86'400.0;
/// What is read of a device at the end of each of its runs: the service must not be held up by a long history.
constexpr std::size_t most_runs_told = 120;

/// `ambient_c=21`: a condition whose key ends so is the room's temperature, not another kind of night.
bool is_temperature(const std::string& key) {
  return key.size() > 2 && key.compare(key.size() - 2, 2, "_c") == 0;
}

std::optional<double> temperature_of(const storage::RunInfo& info) {
  for (const auto& [key, value] : info.conditions) {
    if (!is_temperature(key)) continue;
    double degrees = 0.0;
    const auto [end, problem] = std::from_chars(value.data(), value.data() + value.size(), degrees);
    if (problem == std::errc() && end == value.data() + value.size() && std::isfinite(degrees)) return degrees;
  }
  return std::nullopt;
}

std::string conditions_of(const storage::RunInfo& info) {
  std::set<std::string> items(info.includes.begin(), info.includes.end());
  std::string text;
  const auto add = [&](const std::string& word) { text.append(text.empty() ? "" : ", ").append(word); };
  for (const std::string& item : items) add(item);
  const std::map<std::string, std::string> sorted(info.conditions.begin(), info.conditions.end());
  for (const auto& [key, value] : sorted)
    if (!is_temperature(key) || !temperature_of(info)) add(key + " " + value);
  return text;
}

std::string meter_of(const storage::RunInfo& info) {
  if (info.meter) return *info.meter;
  if (info.origin == storage::RunOrigin::entered) return "a display, read by hand";
  return info.traits.accuracy ? "files of accuracy " + info.traits.accuracy->text() : "files";
}

/// Runs of one meter whose settings were the same: another display step is another meter.
std::string meter_key(const storage::RunInfo& info) {
  const MeterTraits& traits = info.traits;
  return meter_of(info) + '\0' + (traits.accuracy ? traits.accuracy->text() : "") + '\0' +
         std::to_string(traits.resolution_w.value_or(0.0)) + (traits.rounding == Rounding::truncates ? "t" : "") +
         (traits.correction ? correction_text(*traits.correction) : "");
}

NightLevel night_of(const HistoryRun& run, const Figure& figure) {
  NightLevel night;
  night.day = static_cast<double>(run.begin().us) * 1e-6 / seconds_a_day;
  night.level_w = figure.value;
  night.temperature = temperature_of(run.info);
  if (figure.parts) {
    night.random_w = figure.parts->random_w;
    night.display_w = figure.parts->systematic_w;
  } else {
    night.display_w = std::isfinite(figure.uncertainty) ? 0.5 * figure.uncertainty : std::abs(figure.value);
  }
  return night;
}

double gain_standard_deviation(const storage::RunInfo& info) {
  if (const auto& correction = info.traits.correction) {
    const std::size_t gain = correction->coefficients.size();  // place of the slope's variance in the upper triangle
    return std::sqrt(std::max(0.0, correction->covariance[gain]));
  }
  return info.traits.accuracy ? info.traits.accuracy->percent / 100.0 / std::sqrt(3.0) : 0.0;
}

std::vector<HistoryGroup> grouped(const std::vector<HistoryRun>& runs) {
  std::vector<HistoryGroup> groups;
  std::vector<std::string> keys;
  for (std::size_t i = 0; i < runs.size(); ++i) {
    const std::string conditions = conditions_of(runs[i].info);
    const std::string key = meter_key(runs[i].info) + '\0' + conditions;
    const auto known = std::find(keys.begin(), keys.end(), key);
    const auto place = static_cast<std::size_t>(known - keys.begin());
    if (known == keys.end()) {
      keys.push_back(key);
      groups.push_back({meter_of(runs[i].info), conditions, {}, {}});
    }
    groups[place].runs.push_back(i);
  }
  return groups;
}

void gather_figures(HistoryGroup& group, const std::vector<HistoryRun>& runs) {
  for (std::size_t f = 0; f < followed_count; ++f) {
    if (!tells(runs, f)) continue;
    FigureHistory one;
    one.figure = f;
    for (const std::size_t i : group.runs)
      if (const auto& figure = runs[i].figures[f]) {
        one.runs.push_back(i);
        one.nights.push_back(night_of(runs[i], *figure));
      }
    if (one.runs.size() > 1) group.figures.push_back(std::move(one));
  }
}

/// The false alarms a device is allowed are shared by all that is judged of it.
void judge(History& history) {
  std::size_t judged = 0;
  for (const HistoryGroup& group : history.groups)
    for (const FigureHistory& one : group.figures) judged += one.nights.size() >= least_nights ? 1U : 0U;
  HistorySettings settings;
  settings.false_alarms /= static_cast<double>(std::max<std::size_t>(judged, 1));
  for (HistoryGroup& group : history.groups)
    for (FigureHistory& one : group.figures) {
      settings.gain_standard_deviation = gain_standard_deviation(history.runs[group.runs.front()].info);
      one.verdict = judge_history(one.nights, settings);
    }
}

std::string run_list(const std::vector<HistoryRun>& runs, const std::vector<std::size_t>& which) {
  constexpr std::size_t named = 6;  // more are counted: a line is to be read
  std::string text = which.size() == 1 ? "run" : "runs";
  for (std::size_t i = 0; i < std::min(which.size(), named); ++i)
    text += (i == 0 ? " " : ", ") + std::to_string(runs[which[i]].info.id);
  if (which.size() > named) text += " and " + std::to_string(which.size() - named) + " more";
  return text;
}

/// What a group was measured with, as far as groups differ in it.
std::string group_text(const History& history, const HistoryGroup& group, bool by_setting, bool by_condition) {
  std::string text = run_list(history.runs, group.runs) + " on " + group.meter;
  if (by_setting) {
    const MeterTraits& traits = history.runs[group.runs.front()].info.traits;
    text += traits.resolution_w ? ", display step " + text::exact_text(*traits.resolution_w) + " W"
                                : ", display step not told";
    if (traits.rounding == Rounding::truncates) text += ", cut off";
    if (traits.correction) text += ", corrected";
  }
  if (by_condition) text += group.conditions.empty() ? ", no conditions noted" : " with " + group.conditions;
  return text;
}

void warn(History& history) {
  if (history.groups.size() > 1) {
    bool by_setting = false, by_condition = false;
    for (const HistoryGroup& a : history.groups)
      for (const HistoryGroup& b : history.groups) {
        by_condition = by_condition || a.conditions != b.conditions;
        by_setting = by_setting || (&a != &b && a.meter == b.meter && a.conditions == b.conditions);
      }
    std::string text = "not all runs can be compared, each group is judged by itself: ";
    for (std::size_t g = 0; g < history.groups.size(); ++g)
      text += (g == 0 ? "" : "; ") + group_text(history, history.groups[g], by_setting, by_condition);
    history.warnings.push_back(by_condition
                                   ? with_advice(std::move(text), "note them with nightwatt set RUN --set KEY=VALUE")
                                   : std::move(text));
  }
  for (const HistoryRun& run : history.runs)
    if (!run.info.end && run.info.origin != storage::RunOrigin::entered)
      history.warnings.push_back("run " + std::to_string(run.info.id) + " is still open: its figures may move");
}

Result<History> history_until(const storage::StoreReader& store, const std::string& device,
                              std::optional<storage::RunId> last) {
  History history;
  const auto infos = readable_runs(store, history.warnings);
  if (!infos) return tl::unexpected(infos.error());
  history.device = device;
  std::vector<RunRecord> records;
  std::optional<Error> unreadable;
  auto older = std::count_if(infos->begin(), infos->end(), [&](const storage::RunInfo& info) {
    return info.device == device && last && info.id <= *last;
  });
  for (const storage::RunInfo& info : *infos) {
    if (info.device != device || (last && info.id > *last)) continue;
    if (last && older-- > static_cast<std::ptrdiff_t>(most_runs_told)) continue;
    auto record = run_record(store, info);
    if (!record) {
      unreadable = record.error();
      history.warnings.push_back(left_out(info.id, unreadable->message));
      continue;
    }
    HistoryRun run;
    run.info = record->info;
    run.utc_offset = record->utc_offset;
    for (std::size_t f = 0; f < followed_count; ++f) run.figures[f] = record->summary.*followed_figures()[f].which;
    history.runs.push_back(std::move(run));
    if (!last) records.push_back(std::move(*record));
  }
  if (history.runs.empty() && unreadable) return tl::unexpected(*unreadable);
  if (history.runs.empty())
    return fail(ErrorKind::negative,
                "no run is of a device " + text::quoted(device) + "; nightwatt runs lists runs and their devices");
  for (std::size_t i = 0; i < records.size(); ++i) {
    auto baseline = long_baseline(store, records[i]);
    if (!baseline)
      history.warnings.push_back("the baseline of run " + std::to_string(records[i].info.id) +
                                 " is left out: " + baseline.error().message);
    if (!baseline || !*baseline) continue;
    (*baseline)->run = i;
    history.baselines.push_back(std::move(**baseline));
  }
  // Baselines speak of places in what follows: sorted together, by a stable order of times.
  std::vector<std::size_t> order(history.runs.size());
  for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return history.runs[a].begin() < history.runs[b].begin(); });
  std::vector<HistoryRun> sorted;
  std::vector<std::size_t> place(order.size());
  for (std::size_t i = 0; i < order.size(); ++i) {
    place[order[i]] = i;
    sorted.push_back(std::move(history.runs[order[i]]));
  }
  history.runs = std::move(sorted);
  for (LongBaseline& baseline : history.baselines) baseline.run = place[baseline.run];
  history.groups = grouped(history.runs);
  for (HistoryGroup& group : history.groups) gather_figures(group, history.runs);
  judge(history);
  warn(history);
  return history;
}

}  // namespace

const std::array<FollowedFigure, followed_count>& followed_figures() {
  static constexpr std::array<FollowedFigure, followed_count> all = {{{"idle", &Summary::idle, {}},
                                                                      {"standby", &Summary::standby, {}},
                                                                      {"load", &Summary::load, {}},
                                                                      {"sustained", &Summary::sustained, 2},
                                                                      {"baseline", &Summary::baseline, 0}}};
  return all;
}

bool tells(const std::vector<HistoryRun>& runs, std::size_t f) {
  const auto beside = followed_figures()[f].beside;
  return std::any_of(runs.begin(), runs.end(), [&](const HistoryRun& run) {
    return run.figures[f] && (!beside || differ(run.figures[f], run.figures[*beside]));
  });
}

Result<History> history_of(const storage::StoreReader& store, const std::string& device) {
  return history_until(store, device, std::nullopt);
}

Result<std::vector<std::string>> moved_by(const storage::StoreReader& store, storage::RunId run) {
  const auto info = store.run(run);
  if (!info) return tl::unexpected(info.error());
  std::vector<std::string> told;
  if (!info->device || info->origin == storage::RunOrigin::entered) return told;
  const auto history = history_until(store, *info->device, run);
  if (!history) return tl::unexpected(history.error());
  std::size_t judged = 0;
  for (const HistoryGroup& group : history->groups) judged += group.figures.size();
  for (const HistoryGroup& group : history->groups)
    for (const FigureHistory& one : group.figures) {
      if (one.nights.size() < least_nights || history->runs[one.runs.back()].info.id != run) continue;
      HistorySettings settings;
      settings.false_alarms /= static_cast<double>(judged);
      settings.gain_standard_deviation = gain_standard_deviation(*info);
      const auto moved = newly_moved(one.nights, settings);
      if (!moved) continue;
      std::vector<UtcTime> nights;
      for (const std::size_t i : one.runs) nights.push_back(history->runs[i].begin());
      told.push_back(std::string(followed_figures()[one.figure].name) + ": " + change_text(*moved, nights));
    }
  return told;
}

}  // namespace nightwatt::figures
