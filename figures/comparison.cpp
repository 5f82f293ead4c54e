#include "figures/comparison.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "figures/figures.hpp"
#include "figures/run_json.hpp"
#include "figures/runs.hpp"
#include "text/printable.hpp"

namespace nightwatt::figures {
namespace {

using Infos = std::vector<storage::RunInfo>;

/// What the run that is subtracted drew: alone on the meter, its one level is its idle.
Result<Figure> less_figure(const storage::StoreReader& store, const storage::RunInfo& info) {
  const auto record = run_record(store, info);
  if (!record) return tl::unexpected(record.error());
  const Summary& s = record->summary;
  const auto& figure = s.idle ? s.idle : s.standby;
  if (!figure)
    return fail(ErrorKind::negative, "--less: " + run_text(info) +
                                         " has no idle or standby level to subtract; nightwatt segments " +
                                         std::to_string(info.id) + " shows what it has");
  if (!std::isfinite(figure->uncertainty))
    return fail(ErrorKind::negative,
                "--less: the uncertainty of " + run_text(info) + " is not known; enter it again with --resolution");
  return *figure;
}

Result<void> subtract_run(const storage::StoreReader& store, const std::string& word, Infos& infos, Comparison& all,
                          storage::RunInfo& less_run, Figure& figure) {
  const auto run = find_run(store, word);
  if (!run) return tl::unexpected(run.error());
  const auto less = less_figure(store, *run);
  if (!less) return tl::unexpected(less.error());
  figure = *less;
  less_run = *run;
  all.less = run->id;
  std::erase_if(infos, [&](const auto& info) { return info.id == run->id; });
  if (infos.empty())
    return fail(ErrorKind::negative, "nothing is left to compare when " + run_text(*run) + " is subtracted");
  return {};
}

/// Where a row was measured otherwise than what is subtracted from it, or is not said to have held it.
void warn_of_less(const storage::RunInfo& less, const std::vector<DeviceRow>& rows,
                  std::vector<std::string>& warnings) {
  for (const DeviceRow& row : rows) {
    for (const auto& [key, value] : row.conditions)
      for (const auto& [other_key, other] : less.conditions)
        if (key == other_key && value != other)
          warnings.push_back("what is subtracted was measured with " + key + " " + other + ", " + row.device +
                             " with " + value + ": the difference holds that too");
    if (row.includes.empty()) continue;
    for (const std::string& item : less.includes)
      if (std::find(row.includes.begin(), row.includes.end(), item) == row.includes.end())
        warnings.push_back(item + " is subtracted from " + row.device + ", though it is not noted as plugged in there");
  }
}

void write_ratio(JsonWriter& json, const std::string& name, const std::optional<Figure>& ratio) {
  json.key(name);
  ratio ? json.value(ratio->value) : json.null();
  json.key(name + "_uncertainty");
  ratio ? json.value(ratio->uncertainty) : json.null();
}

void write_day(JsonWriter& json, const DayFigures& day) {
  const auto figure = [&](const char* name, const char* unsure, const std::optional<Figure>& of) {
    json.key(name);
    of ? json.value(of->value) : json.null();
    json.key(unsure);
    of ? json.value(of->uncertainty) : json.null();
  };
  figure("day_wh", "day_uncertainty_wh", day.energy_wh);
  figure("cost_a_year", "cost_a_year_uncertainty", day.cost_a_year);
  json.field("lasts_h", day.lasts_h);
}

void write_rank(JsonWriter& json, const Comparison& all, std::size_t i, const std::string& name,
                const std::optional<Rank>& rank, RowFigure figure) {
  json.key(name + "_rank");
  rank ? json.begin_array().value(rank->first).value(rank->last).end_array() : json.null();
  json.key(name + "_tied_with").begin_array();
  for (const std::string& device : tied_with(all.rows, i, figure)) json.value(device);
  json.end_array();
}

void write_against(JsonWriter& json, const Comparison& all, const DeviceRow& row) {
  const DeviceRow& other = all.rows[*all.against];
  json.key("against").begin_object().field("device", other.device);
  const Against idle = against(row.idle, other.idle), load = against(row.load, other.load);
  write_figure(json, "idle_difference", idle.difference_w);
  write_ratio(json, "idle_ratio", idle.ratio);
  write_figure(json, "load_difference", load.difference_w);
  write_ratio(json, "load_ratio", load.ratio);
  json.end_object();
}

}  // namespace

Result<Infos> default_runs(const storage::StoreReader& store, std::vector<std::string>& warnings, bool all) {
  auto runs = readable_runs(store, warnings);
  if (!runs) return tl::unexpected(runs.error());
  std::map<std::string, storage::RunId> newest;
  for (const storage::RunInfo& run : *runs)
    if (run.device && run.origin != storage::RunOrigin::entered) newest[*run.device] = run.id;
  Infos chosen;
  for (storage::RunInfo& run : *runs) {
    const bool entered = run.origin == storage::RunOrigin::entered;
    if (entered || (run.device && (all || newest.at(*run.device) == run.id))) chosen.push_back(std::move(run));
  }
  if (chosen.empty())
    return fail(ErrorKind::negative, "no run has a device's name yet; give it one with nightwatt name RUN DEVICE");
  return chosen;
}

Result<Infos> given_runs(const storage::StoreReader& store, const std::vector<std::string>& words) {
  Infos chosen;
  for (const std::string& word : words) {
    auto run = find_run(store, word);
    if (!run) return tl::unexpected(run.error());
    const bool there =
        std::any_of(chosen.begin(), chosen.end(), [&](const auto& other) { return other.id == run->id; });
    if (!there) chosen.push_back(std::move(*run));
  }
  return chosen;
}

Result<Comparison> comparison_of(const storage::StoreReader& store, const ComparisonRequest& request) {
  Comparison all;
  std::vector<std::string> damaged;
  auto infos = request.runs.empty() ? default_runs(store, damaged, request.all) : given_runs(store, request.runs);
  if (!infos) return tl::unexpected(infos.error());
  Figure less;
  storage::RunInfo less_run;
  if (request.less)
    if (auto done = subtract_run(store, *request.less, *infos, all, less_run, less); !done)
      return tl::unexpected(done.error());
  auto rows = rows_of(store, *infos, request.runs.empty() ? &damaged : nullptr);
  if (!rows) return tl::unexpected(rows.error());
  all.rows = std::move(*rows);
  all.warnings = condition_warnings(all.rows);
  if (auto warning = cut_off_warning(all.rows)) all.warnings.push_back(std::move(*warning));
  all.warnings.insert(all.warnings.begin(), damaged.begin(), damaged.end());
  if (all.less) {
    warn_of_less(less_run, all.rows, all.warnings);
    subtract(all.rows, less, all.warnings);
  }
  if (request.against) {
    // A measured row comes before one read from a display, whatever their order.
    for (std::size_t i = all.rows.size(); i-- > 0;)
      if (all.rows[i].device == *request.against && (!all.against || !all.rows[i].entered)) all.against = i;
    if (!all.against)
      return fail(ErrorKind::negative, "--against: no row is of a device " + text::quoted(*request.against) +
                                           "; nightwatt compare lists them");
  }
  all.idle_ranks = ranks(all.rows, &DeviceRow::idle);
  all.load_ranks = ranks(all.rows, &DeviceRow::load);
  return all;
}

std::string rank_text(const std::optional<Rank>& rank) {
  if (!rank) return {};
  if (rank->first == rank->last) return std::to_string(rank->first);
  return std::to_string(rank->first) + "-" + std::to_string(rank->last);
}

std::string runs_text(const DeviceRow& row) {
  std::string text = row.entered ? "entered by hand, run " : row.runs.size() == 1 ? "run " : "runs ";
  for (std::size_t i = 0; i < row.runs.size(); ++i) text += (i == 0 ? "" : ", ") + std::to_string(row.runs[i]);
  return text;
}

std::string includes_text(const DeviceRow& row, std::string_view between) {
  std::string text;
  for (const std::string& item : row.includes) text.append(text.empty() ? "" : between).append(item);
  return text;
}

std::string conditions_text(const DeviceRow& row, std::string_view equals, std::string_view between) {
  std::string text;
  for (const auto& [key, value] : row.conditions)
    text.append(text.empty() ? "" : between).append(key).append(equals).append(value);
  return text;
}

void write_comparison(JsonWriter& json, const Comparison& all, const DayRequest* day) {
  json.begin_document().key("devices").begin_array();
  for (std::size_t i = 0; i < all.rows.size(); ++i) {
    const DeviceRow& row = all.rows[i];
    json.line_break().begin_object().field("device", row.device).key("runs").begin_array();
    for (const storage::RunId run : row.runs) json.value(run);
    json.end_array();
    write_figure(json, "idle", row.idle);
    write_figure(json, "load", row.load);
    write_figure(json, "standby", row.standby);
    write_figure(json, "sustained", row.sustained);
    write_figure(json, "baseline", row.baseline);
    json.field("energy_wh", row.energy_wh).field("entered", row.entered);
    write_rank(json, all, i, "idle", all.idle_ranks[i], &DeviceRow::idle);
    write_rank(json, all, i, "load", all.load_ranks[i], &DeviceRow::load);
    json.key("includes").begin_array();
    for (const std::string& item : row.includes) json.value(item);
    json.end_array().key("set").begin_object();
    for (const auto& [key, value] : row.conditions) json.field(key, value);
    json.end_object().field("accuracy", row.accuracy);
    if (day != nullptr) write_day(json, day_of(row, *day));
    if (all.against && *all.against != i) write_against(json, all, row);
    json.end_object();
  }
  json.end_array();
  if (all.less) json.field("less", *all.less);
  json.key("warnings").begin_array();
  for (const std::string& warning : all.warnings) json.value(warning);
  json.end_array().end_object();
}

}  // namespace nightwatt::figures
