#include <algorithm>
#include <map>

#include "commands.hpp"
#include "figures.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

using Infos = std::vector<storage::RunInfo>;

/// The newest run of each named device, and every entered row.
Result<Infos> default_runs(const storage::StoreReader& store) {
  auto runs = store.runs();
  if (!runs) return tl::unexpected(runs.error());
  std::map<std::string, storage::RunId> newest;
  for (const storage::RunInfo& run : *runs)
    if (run.device && run.origin != storage::RunOrigin::entered) newest[*run.device] = run.id;
  Infos chosen;
  for (storage::RunInfo& run : *runs) {
    const bool entered = run.origin == storage::RunOrigin::entered;
    if (entered || (run.device && newest.at(*run.device) == run.id)) chosen.push_back(std::move(run));
  }
  if (chosen.empty())
    return fail(ErrorKind::negative, "no run has a device's name yet; give it one with nightwatt name RUN DEVICE");
  return chosen;
}

Result<Infos> given_runs(const storage::StoreReader& store, const Words& words) {
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

/// Runs of one device become one row; what was entered stays apart from what was measured, and a run without a name
/// from all others.
Result<std::vector<DeviceRow>> rows_of(const storage::StoreReader& store, const Infos& infos) {
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

void write_json(Context& context, const std::vector<DeviceRow>& rows) {
  JsonWriter json(context.out);
  json.begin_object().key("devices").begin_array();
  for (const DeviceRow& row : rows) {
    json.line_break().begin_object().field("device", row.device).key("runs").begin_array();
    for (const storage::RunId run : row.runs) json.value(run);
    json.end_array();
    write_figure(json, "idle", row.idle);
    write_figure(json, "load", row.load);
    write_figure(json, "standby", row.standby);
    json.field("energy_wh", row.energy_wh).field("entered", row.entered).end_object();
  }
  json.end_array().end_object();
  context.out.write("\n");
}

std::string runs_text(const DeviceRow& row) {
  std::string text = row.entered ? "entered by hand, run " : row.runs.size() == 1 ? "run " : "runs ";
  for (std::size_t i = 0; i < row.runs.size(); ++i) text += (i == 0 ? "" : ", ") + std::to_string(row.runs[i]);
  return text;
}

}  // namespace

Outcome run(Context& context, const CompareArguments& arguments) {
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto infos = arguments.runs.empty() ? default_runs(*store) : given_runs(*store, arguments.runs);
  if (!infos) return tl::unexpected(infos.error());
  const auto rows = rows_of(*store, *infos);
  if (!rows) return tl::unexpected(rows.error());
  if (context.json) {
    write_json(context, *rows);
    return 0;
  }
  Table table;
  table.column("device", Table::Align::left);
  for (const char* title : {"standby", "idle", "load", "energy"}) table.column(title, Table::Align::right);
  table.column("from", Table::Align::left);
  for (const DeviceRow& row : *rows)
    table.row({{text::printable(row.device), Tone::strong},
               {figure_or_nothing(row.standby, "W")},
               {figure_or_nothing(row.idle, "W")},
               {figure_or_nothing(row.load, "W")},
               {number_or_nothing(row.energy_wh, "Wh")},
               {runs_text(row)}});
  table.write(context.out, context.style);
  return 0;
}

}  // namespace nightwatt::query
