#include "figures/device_table.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <map>
#include <set>

#include "figures/runs.hpp"
#include "measure/signal/advice.hpp"
#include "measure/uncertainty/comparison.hpp"
#include "text/printable.hpp"

namespace nightwatt::figures {
namespace {

/// A figure of unknown parts is all display and meter.
Measured measured_figure(const Figure& figure) {
  if (figure.parts) return measured(figure.value, *figure.parts);
  return {figure.value, 0.0, 1e9, figure.uncertainty / 2.0};
}

std::optional<Figure> pooled_figure(std::span<const RunRecord> records, std::optional<Figure> Summary::*which) {
  std::vector<Measured> repeats;
  std::optional<Figure> only;
  double finest = 0.0;
  for (const RunRecord& record : records) {
    if (const auto& figure = record.summary.*which) {
      repeats.push_back(measured_figure(*figure));
      only = figure;
      finest = std::max(finest, figure->finest);
    }
  }
  if (repeats.size() < 2) return only;
  const auto joined = pool(repeats);
  return Figure{joined->value, joined->uncertainty, {}, finest};
}

std::string joined(const std::vector<std::string>& items) {
  std::string text;
  for (const std::string& item : items) text += (text.empty() ? "" : ", ") + item;
  return text;
}

void gather_conditions(DeviceRow& row, std::span<const RunRecord> records) {
  std::map<std::string, std::set<std::string>> values;
  std::set<std::string> items;
  for (const RunRecord& record : records) {
    items.insert(record.info.includes.begin(), record.info.includes.end());
    for (const auto& [key, value] : record.info.conditions) values[key].insert(value);
  }
  row.includes.assign(items.begin(), items.end());
  for (const auto& [key, all] : values)
    row.conditions.emplace_back(key, [&all = all] {
      std::string text;
      for (const std::string& value : all) text += (text.empty() ? "" : " or ") + value;
      return text;
    }());
  for (const RunRecord& record : records)
    row.repeats_differ = row.repeats_differ ||
                         std::set<std::string>(record.info.includes.begin(), record.info.includes.end()) != items ||
                         record.info.conditions.size() != values.size() ||
                         std::any_of(values.begin(), values.end(), [](const auto& v) { return v.second.size() > 1; });
}

std::optional<std::string> accuracy_text(std::span<const RunRecord> records) {
  std::set<std::string> permissible_errors;
  for (const RunRecord& record : records) {
    if (!record.info.traits.accuracy) return std::nullopt;
    permissible_errors.insert(record.info.traits.accuracy->text());
  }
  std::string text;
  for (const std::string& permissible_error : permissible_errors)
    text += (text.empty() ? "" : " or ") + permissible_error;
  return text;
}

std::optional<Compared> compared(const std::optional<Figure>& figure) {
  if (!figure || !std::isfinite(figure->value) || !(std::isfinite(figure->uncertainty) && figure->uncertainty > 0.0))
    return std::nullopt;
  Compared one;
  one.value = figure->value;
  one.uncertainty = figure->uncertainty;
  one.standard = figure->uncertainty / 2.0;
  one.degrees_of_freedom = 1e9;
  return one;
}

/// Whether the rows do not all say the same.
bool differ_in(const std::vector<DeviceRow>& rows, const std::function<std::string(const DeviceRow&)>& said) {
  return std::any_of(rows.begin(), rows.end(), [&](const DeviceRow& row) { return said(row) != said(rows.front()); });
}

std::string condition_of(const DeviceRow& row, const std::string& key) {
  const auto at = std::find_if(row.conditions.begin(), row.conditions.end(),
                               [&](const auto& condition) { return condition.first == key; });
  return at == row.conditions.end() ? std::string() : at->second;
}

}  // namespace

DeviceRow pooled(std::string device, std::span<const RunRecord> records) {
  DeviceRow row;
  row.device = std::move(device);
  for (const RunRecord& record : records) {
    row.runs.push_back(record.info.id);
    row.entered = row.entered || record.info.origin == storage::RunOrigin::entered;
    row.imported = row.imported || record.info.origin == storage::RunOrigin::imported;
    row.may_be_cut_off = row.may_be_cut_off || rounding_warning(record);
    if (!record.summary.energy_wh) continue;
    row.energy_wh = row.energy_wh.value_or(0.0) + *record.summary.energy_wh;
    if (const auto first = record.totals.first()) row.length_s += to_seconds(*record.totals.last() - *first).value;
  }
  row.idle = pooled_figure(records, &Summary::idle);
  row.load = pooled_figure(records, &Summary::load);
  row.standby = pooled_figure(records, &Summary::standby);
  row.sustained = pooled_figure(records, &Summary::sustained);
  row.baseline = pooled_figure(records, &Summary::baseline);
  row.accuracy = accuracy_text(records);
  gather_conditions(row, records);
  return row;
}

Result<std::vector<DeviceRow>> rows_of(const storage::StoreReader& store, const std::vector<storage::RunInfo>& infos,
                                       std::vector<std::string>* warnings) {
  struct Group {
    std::string device;
    bool alone;
    std::vector<RunRecord> records;
  };
  std::vector<Group> groups;
  for (const storage::RunInfo& info : infos) {
    auto record = run_record(store, info);
    if (!record && warnings == nullptr) return tl::unexpected(record.error());
    if (!record) {
      warnings->push_back(left_out(info.id, record.error().message));
      continue;
    }
    const bool alone = !info.device || info.origin == storage::RunOrigin::entered;
    const std::string device = info.device.value_or("run " + std::to_string(info.id));
    auto group = std::find_if(groups.begin(), groups.end(),
                              [&](const Group& other) { return !alone && !other.alone && other.device == device; });
    if (group == groups.end()) group = groups.insert(groups.end(), Group{device, alone, {}});
    group->records.push_back(std::move(*record));
  }
  std::vector<DeviceRow> rows;
  for (const Group& group : groups) rows.push_back(pooled(group.device, group.records));
  std::stable_sort(rows.begin(), rows.end(), [](const DeviceRow& a, const DeviceRow& b) {
    if (a.idle && b.idle) return a.idle->value < b.idle->value;
    return a.idle.has_value() && !b.idle.has_value();
  });
  return rows;
}

std::vector<std::optional<Rank>> ranks(const std::vector<DeviceRow>& rows, RowFigure figure) {
  std::vector<std::optional<Compared>> figures;
  int count = 0;
  for (const DeviceRow& row : rows) {
    figures.push_back(compared(row.*figure));
    if (figures.back()) ++count;
  }
  std::vector<std::optional<Rank>> all;
  for (const auto& one : figures) {
    if (!one) {
      all.emplace_back(std::nullopt);
      continue;
    }
    Rank rank{1, count};
    for (const auto& other : figures) {
      if (!other || &other == &one || tied(*one, *other)) continue;
      if (other->value < one->value) ++rank.first;
      if (other->value > one->value) --rank.last;
    }
    all.emplace_back(rank);
  }
  return all;
}

std::vector<std::string> tied_with(const std::vector<DeviceRow>& rows, std::size_t row, RowFigure figure) {
  std::vector<std::string> names;
  const auto one = compared(rows[row].*figure);
  for (std::size_t i = 0; one && i < rows.size(); ++i)
    if (const auto other = compared(rows[i].*figure); i != row && other && tied(*one, *other))
      names.push_back(rows[i].device);
  return names;
}

Against against(const std::optional<Figure>& row, const std::optional<Figure>& other) {
  Against result;
  const auto a = compared(row), b = compared(other);
  if (!a || !b) return result;
  const Compared apart = difference(*a, *b);
  result.difference_w = Figure{apart.value, apart.uncertainty, {}, std::max(row->finest, other->finest)};
  if (const auto times = ratio(*a, *b)) {
    const double finest =
        std::abs(times->value) * std::max(row->finest / std::abs(row->value), other->finest / std::abs(other->value));
    result.ratio = Figure{times->value, times->uncertainty, {}, std::isfinite(finest) ? finest : 0.0};
  }
  return result;
}

void subtract(std::vector<DeviceRow>& rows, const Figure& less, std::vector<std::string>& warnings) {
  bool left_out = false;
  for (DeviceRow& row : rows) {
    for (const auto& [figure, name] :
         {std::pair{&row.idle, "idle"}, std::pair{&row.load, "load"}, std::pair{&row.sustained, "sustained load"},
          std::pair{&row.baseline, "baseline"}}) {
      if (!*figure) continue;
      *figure = Figure{(*figure)->value - less.value,
                       std::hypot((*figure)->uncertainty, less.uncertainty),
                       {},
                       std::max((*figure)->finest, less.finest)};
      if ((*figure)->value < 0.0)
        warnings.push_back(std::string("the ") + name + " of " + row.device +
                           " is below zero: more was subtracted than it drew in all");
    }
    left_out = left_out || row.standby || row.energy_wh;
    row.standby.reset();
    row.energy_wh.reset();
  }
  if (left_out)
    warnings.emplace_back(
        "standby and energy are left out: what the subtracted run drew in standby or over the whole record is not "
        "known");
}

namespace {

/// The first of them: more are no sentence.
std::string some_of(std::vector<std::string> names) {
  constexpr std::size_t most_names = 3;
  const std::size_t more = names.size() > most_names ? names.size() - most_names : 0;
  names.resize(names.size() - more);
  return joined(names) + (more == 0 ? "" : " and " + std::to_string(more) + " more");
}

}  // namespace

std::string unknown_accuracy_text(const std::vector<DeviceRow>& rows) {
  std::vector<std::string> names;
  for (const DeviceRow& row : rows)
    if (!row.accuracy && (row.idle || row.load || row.standby) &&
        std::find(names.begin(), names.end(), row.device) == names.end())
      names.push_back(row.device);
  if (names.empty()) return {};
  const bool all =
      std::none_of(rows.begin(), rows.end(), [](const DeviceRow& row) { return row.accuracy.has_value(); });
  return "The meter's accuracy is not known" + (all ? std::string() : " for " + some_of(names)) +
         ": its own error is not in the intervals, and digits below a thousandth of a figure are not shown.";
}

bool energies_compare(const std::vector<DeviceRow>& rows) {
  constexpr double alike_lengths = 0.01;  // as near each other as nobody would mind (common practice, no source)
  double shortest = std::numeric_limits<double>::infinity(), longest = 0.0;
  for (const DeviceRow& row : rows) {
    if (!row.energy_wh) continue;
    shortest = std::min(shortest, row.length_s);
    longest = std::max(longest, row.length_s);
  }
  return longest > 0.0 && longest - shortest <= alike_lengths * longest;
}

bool includes_differ(const std::vector<DeviceRow>& rows) {
  return differ_in(rows, [](const DeviceRow& row) { return joined(row.includes); });
}

bool conditions_differ(const std::vector<DeviceRow>& rows) {
  return std::any_of(rows.begin(), rows.end(),
                     [&](const DeviceRow& row) { return row.conditions != rows.front().conditions; });
}

std::string common_conditions(const std::vector<DeviceRow>& rows) {
  if (rows.empty()) return {};
  std::string text;
  if (!includes_differ(rows) && !rows.front().includes.empty()) text = "plugged in: " + joined(rows.front().includes);
  if (!conditions_differ(rows))
    for (const auto& [key, value] : rows.front().conditions) text += (text.empty() ? "" : "; ") + key + " " + value;
  return text;
}

std::optional<std::string> cut_off_warning(const std::vector<DeviceRow>& rows) {
  std::vector<std::string> names;
  for (const DeviceRow& row : rows)
    if (row.may_be_cut_off) names.push_back(row.device);
  if (names.empty()) return std::nullopt;
  return with_advice("the display is taken to round for " + some_of(names) +
                         "; if it cuts digits off, the levels are half a step higher, and their ± does not hold that",
                     "nightwatt summary RUN says by how much and how to tell which it is");
}

std::vector<std::string> condition_warnings(const std::vector<DeviceRow>& rows) {
  std::vector<std::string> warnings, differing, repeats;
  for (const DeviceRow& row : rows)
    if (row.repeats_differ) repeats.push_back(row.device);
  if (!repeats.empty())
    warnings.push_back("the repeats of " + joined(repeats) + " were not all measured under the same conditions");
  if (includes_differ(rows)) differing.emplace_back("what was plugged in");
  std::set<std::string> keys;
  for (const DeviceRow& row : rows)
    for (const auto& [key, value] : row.conditions) keys.insert(key);
  for (const std::string& key : keys)
    if (differ_in(rows, [&](const DeviceRow& row) { return condition_of(row, key); })) differing.push_back(key);
  if (!differing.empty())
    warnings.push_back("the rows were not measured under the same conditions; they differ in " + joined(differing));
  return warnings;
}

}  // namespace nightwatt::figures
