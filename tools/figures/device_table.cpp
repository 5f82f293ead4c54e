#include "figures/device_table.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <set>

#include "measure/comparison.hpp"
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
  for (const RunRecord& record : records) {
    if (const auto& figure = record.summary.*which) {
      repeats.push_back(measured_figure(*figure));
      only = figure;
    }
  }
  if (repeats.size() < 2) return only;
  const auto joined = pool(repeats);
  return Figure{joined->value, joined->uncertainty};
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
  std::set<std::string> promises;
  for (const RunRecord& record : records) {
    if (!record.info.traits.accuracy) return std::nullopt;
    promises.insert(record.info.traits.accuracy->text());
  }
  std::string text;
  for (const std::string& promise : promises) text += (text.empty() ? "" : " or ") + promise;
  return text;
}

std::optional<Compared> compared(const std::optional<Figure>& figure) {
  if (!figure || !std::isfinite(figure->value) || !(std::isfinite(figure->uncertainty) && figure->uncertainty > 0.0))
    return std::nullopt;
  Compared one;
  one.value = figure->value;
  one.uncertainty = figure->uncertainty;
  one.standard = figure->uncertainty / 2.0;
  one.freedom = 1e9;
  return one;
}

/// `full for Tern laptop; not said for Gannet board, Puffin mini`; empty where all rows say the same.
std::string differences(const std::vector<DeviceRow>& rows, const std::vector<std::string>& said) {
  std::vector<std::pair<std::string, std::string>> groups;  // what was said, by whom
  for (std::size_t i = 0; i < rows.size(); ++i) {
    auto group = std::find_if(groups.begin(), groups.end(), [&](const auto& g) { return g.first == said[i]; });
    if (group == groups.end()) group = groups.insert(groups.end(), {said[i], ""});
    group->second += (group->second.empty() ? "" : ", ") + rows[i].device;
  }
  if (groups.size() < 2) return {};
  std::string text;
  for (const auto& [what, whom] : groups)
    text += (text.empty() ? "" : "; ") + (what.empty() ? "not said" : what) + " for " + whom;
  return text;
}

}  // namespace

DeviceRow pooled(std::string device, std::span<const RunRecord> records) {
  DeviceRow row;
  row.device = std::move(device);
  for (const RunRecord& record : records) {
    row.runs.push_back(record.info.id);
    row.entered = row.entered || record.info.origin == storage::RunOrigin::entered;
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

Result<std::vector<DeviceRow>> rows_of(const storage::StoreReader& store, const std::vector<storage::RunInfo>& infos) {
  struct Group {
    std::string device;
    bool alone;
    std::vector<RunRecord> records;
  };
  std::vector<Group> groups;
  for (const storage::RunInfo& info : infos) {
    auto record = run_record(store, info);
    if (!record) return tl::unexpected(record.error());
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
  result.difference_w = Figure{apart.value, apart.uncertainty};
  if (const auto times = ratio(*a, *b)) result.ratio = Figure{times->value, times->uncertainty};
  return result;
}

void subtract(std::vector<DeviceRow>& rows, const Figure& less, std::vector<std::string>& warnings) {
  bool left_out = false;
  for (DeviceRow& row : rows) {
    for (const auto& [figure, name] :
         {std::pair{&row.idle, "idle"}, std::pair{&row.load, "load"}, std::pair{&row.sustained, "sustained load"},
          std::pair{&row.baseline, "baseline"}}) {
      if (!*figure) continue;
      *figure = Figure{(*figure)->value - less.value, std::hypot((*figure)->uncertainty, less.uncertainty)};
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

std::string unknown_accuracy_text(const std::vector<DeviceRow>& rows) {
  std::vector<std::string> names;
  for (const DeviceRow& row : rows)
    if (!row.accuracy && (row.idle || row.load || row.standby) &&
        std::find(names.begin(), names.end(), row.device) == names.end())
      names.push_back(row.device);
  if (names.empty()) return {};
  return "The meter's accuracy is not known for " + joined(names) +
         ": the intervals there are those of a perfect meter.";
}

std::vector<std::string> condition_warnings(const std::vector<DeviceRow>& rows) {
  std::vector<std::string> warnings, said;
  for (const DeviceRow& row : rows) {
    if (row.repeats_differ)
      warnings.push_back("the repeats of " + row.device + " were not all measured under the same conditions");
    said.push_back(joined(row.includes));
  }
  if (const std::string text = differences(rows, said); !text.empty())
    warnings.push_back("the rows differ in what was plugged in: " + text);
  std::set<std::string> keys;
  for (const DeviceRow& row : rows)
    for (const auto& [key, value] : row.conditions) keys.insert(key);
  for (const std::string& key : keys) {
    said.clear();
    for (const DeviceRow& row : rows) {
      const auto at = std::find_if(row.conditions.begin(), row.conditions.end(),
                                   [&](const auto& condition) { return condition.first == key; });
      said.push_back(at == row.conditions.end() ? std::string() : at->second);
    }
    if (const std::string text = differences(rows, said); !text.empty())
      warnings.push_back("the rows differ in " + key + ": " + text);
  }
  return warnings;
}

}  // namespace nightwatt::figures
