#include "report/report.hpp"

#include <set>

#include "text/printable.hpp"

namespace nightwatt::report {
namespace {

/// Stretches of one curve: a few for each point of a wide screen, so that there is something to zoom into.
constexpr std::size_t curve_bins = 1500;

Result<ReportRun> run_of(const storage::StoreReader& store, storage::RunId id) {
  const auto info = store.run(id);
  if (!info) return tl::unexpected(info.error());
  auto record = figures::run_record(store, *info, storage::Sketches::all);
  if (!record) return tl::unexpected(record.error());
  ReportRun run;
  run.record = std::move(*record);
  if (info->origin == storage::RunOrigin::entered) {
    run.warnings = run.record.summary.warnings;
    return run;
  }
  auto budgets = figures::run_budgets(store, run.record);
  if (!budgets) return tl::unexpected(budgets.error());
  run.budgets = std::move(*budgets);
  run.warnings = run.record.summary.warnings;
  run.warnings.insert(run.warnings.end(), run.budgets.warnings.begin(), run.budgets.warnings.end());
  const auto window = figures::whole_run(store, run.record);
  if (!window) return tl::unexpected(window.error());
  run.window = *window;
  auto bins = figures::curve_of(store, run.record, *window, curve_bins);
  if (!bins) return tl::unexpected(bins.error());
  run.bins = std::move(*bins);
  return run;
}

Result<void> add_histories(const storage::StoreReader& store, Report& report) {
  std::set<std::string> devices;
  for (const ReportRun& run : report.runs)
    if (run.record.info.device) devices.insert(*run.record.info.device);
  for (const std::string& device : devices) {
    auto history = figures::history_of(store, device);
    if (!history) return tl::unexpected(history.error());
    if (history->runs.size() > 1) report.histories.push_back(std::move(*history));
  }
  return {};
}

}  // namespace

Result<Report> report_of(const storage::StoreReader& store, const ReportRequest& request) {
  const auto moment = store.snapshot();
  if (!moment) return tl::unexpected(moment.error());
  Report report{request.title, request.note, request.made, {}, {}, {}};
  auto comparison = figures::comparison_of(store, {request.runs, std::nullopt, std::nullopt, false});
  if (!comparison) return tl::unexpected(comparison.error());
  report.comparison = std::move(*comparison);
  for (const figures::DeviceRow& row : report.comparison.rows)
    for (const storage::RunId id : row.runs) {
      if (report.runs.size() == runs_limit)
        return fail(ErrorKind::input, "more than " + std::to_string(runs_limit) + " runs; name the ones to report");
      auto run = run_of(store, id);
      if (!run) return tl::unexpected(run.error());
      report.runs.push_back(std::move(*run));
    }
  if (auto told = add_histories(store, report); !told) return tl::unexpected(told.error());
  return report;
}

}  // namespace nightwatt::report
