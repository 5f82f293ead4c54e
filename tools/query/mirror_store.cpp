#include "mirror_store.hpp"

#include "figures/comparison.hpp"
#include "figures/runs.hpp"
#include "storage/store.hpp"

namespace nightwatt::query {
namespace {

/// The runs whose readings the command looks at: those it names, and for a report without names those of the table.
Result<std::vector<storage::RunId>> wanted_runs(const storage::StoreReader& store, const CommandArguments& command) {
  std::vector<storage::RunInfo> infos;
  if (const auto* summary = std::get_if<SummaryArguments>(&command)) {
    auto run = figures::find_run(store, summary->run);
    if (!run) return tl::unexpected(run.error());
    infos.push_back(std::move(*run));
  }
  if (const auto* report = std::get_if<ReportArguments>(&command)) {
    std::vector<std::string> damaged;  // the report itself tells of them
    auto runs = report->runs.empty() ? figures::default_runs(store, damaged) : figures::given_runs(store, report->runs);
    if (!runs) return tl::unexpected(runs.error());
    infos = std::move(*runs);
  }
  std::vector<storage::RunId> runs;
  for (const storage::RunInfo& info : infos) runs.push_back(info.id);
  return runs;
}

}  // namespace

Result<mirror::FetchedStore> fetch_mirror(const CommandLine& line) {
  const bool reads =
      std::holds_alternative<CompareArguments>(line.command) || std::holds_alternative<RunsArguments>(line.command) ||
      std::holds_alternative<SummaryArguments>(line.command) || std::holds_alternative<ReportArguments>(line.command);
  if (!reads) return fail(ErrorKind::input, "--mirror is for compare, runs, summary and report");
  if (line.options.store) return fail(ErrorKind::input, "--mirror and --store are two places: give one of them");
  auto fetched = mirror::FetchedStore::fetch(*line.mirror);
  if (!fetched) return fetched;
  const auto store = storage::StoreReader::open(fetched->path());
  if (!store) return tl::unexpected(store.error());
  const auto runs = wanted_runs(*store, line.command);
  if (!runs) return tl::unexpected(runs.error());
  if (auto done = fetched->fetch_readings(*runs); !done) return tl::unexpected(done.error());
  return fetched;
}

}  // namespace nightwatt::query
