#include "figures/store_proof.hpp"

#include <optional>

#include "figures/run_recorder.hpp"
#include "measure/signal/same_sum.hpp"

namespace nightwatt::figures {

using storage::RunInfo;
using storage::RunState;
using storage::SalvageReport;
using storage::StoreReader;
using storage::StoreWriter;

namespace {

/// The totals of a run's readings up to `to`, and where the run has ended by then, of what was shown until its end.
Result<RunTotals> totals_of_readings(const StoreReader& store, const RunInfo& info, UtcTime to) {
  RunTotals totals(reporting_of(info.traits));
  const auto shown = shown_at(store, info.stream, info.traits, info.begin);
  if (!shown) return tl::unexpected(shown.error());
  if (*shown) totals.begin_held((*shown)->since, (*shown)->power_w, info.begin);
  const Result<void> replayed = store.readings(info.stream, info.begin, to, [&](const Reading& reading) {
    totals.push(reading);
    return true;
  });
  if (!replayed) return tl::unexpected(replayed.error());
  if (info.end) totals.hold_until(*info.end);
  return totals;
}

bool agree(const RunTotals& a, const RunTotals& b) {
  return a.samples() == b.samples() && a.first() == b.first() && a.last() == b.last() &&
         same_sum(a.energy_wh().value_or(0.0), b.energy_wh().value_or(0.0)) && same_sum(a.gap_s(), b.gap_s()) &&
         a.peak_w() == b.peak_w();
}

bool follow_each_other(const std::vector<Regime>& regimes, const RunInfo& run) {
  for (std::size_t i = 0; i < regimes.size(); ++i) {
    const Regime& regime = regimes[i];
    const bool follows = i == 0 || regime.begin == regimes[i - 1].end;
    if (!follows || regime.end < regime.begin || regime.begin < run.begin || (run.end && *run.end < regime.end))
      return false;
  }
  return true;
}

/// What is wrong with the kept totals; none: nothing, also where the readings have given way and cannot say.
Result<std::optional<std::string>> wrong_totals(const StoreReader& store, const RunInfo& run, const RunState& state) {
  const Result<RunTotals> kept = RunTotals::restore(state.totals_bytes, reporting_of(run.traits));
  if (!kept) return tl::unexpected(kept.error());
  const Result<bool> whole = store.raw_is_whole(run.stream, run.begin, *state.as_of);
  if (!whole) return tl::unexpected(whole.error());
  if (!*whole) return std::nullopt;
  const Result<RunTotals> again = totals_of_readings(store, run, *state.as_of);
  if (!again) return tl::unexpected(again.error());
  if (agree(*again, *kept)) return std::nullopt;
  return "its totals are not those of its readings";
}

std::optional<std::string> cannot_go_on(const StoreReader& store, const RunInfo& run) {
  const Result<RunRecorder> recorder = RunRecorder::resume(store, run.id);
  if (!recorder) return "it cannot go on: " + recorder.error().message;
  if (recorder->totals().samples() != run.samples) return "what it goes on from does not count its readings";
  return std::nullopt;
}

}  // namespace

std::vector<std::string> prove_run(const StoreReader& store, const RunInfo& run) {
  const Result<RunState> state = store.run_state(run.id);
  if (!state) return {state.error().message};
  if (!state->as_of) return {};
  const std::string name = "run " + std::to_string(run.id) + ": ";
  if (!follow_each_other(state->regimes, run)) return {name + "its stretches have a hole, overlap or leave the run"};
  const auto totals = wrong_totals(store, run, *state);
  if (!totals) return {name + totals.error().message};
  std::vector<std::string> wrong;
  if (*totals) wrong.push_back(name + **totals);
  if (!run.end)
    if (const auto stuck = cannot_go_on(store, run)) wrong.push_back(name + *stuck);
  return wrong;
}

Result<void> mend_runs(StoreWriter& store, SalvageReport& report) {
  const auto runs = store.reader().runs();
  if (!runs) return tl::unexpected(runs.error());
  for (const RunInfo& run : *runs) {
    if (run.stream == 0) continue;
    if (auto begun = store.begin(); !begun) return begun;
    const UtcTime end = run.end.value_or(end_of_time);
    const auto whole = store.reader().raw_is_whole(run.stream, run.begin, end);
    if (!whole) return tl::unexpected(whole.error());
    if (run.end)
      if (auto counted = store.apply(storage::SetRunSpan{run.id, run.begin, run.end}); !counted) return counted;
    const auto now = store.reader().run(run.id);
    if (!now) return tl::unexpected(now.error());
    const auto state = store.reader().run_state(run.id);
    const bool good = state && state->as_of && run.end && state->samples == now->samples;
    const std::string name = "run " + std::to_string(run.id);
    if (!good && *whole) {
      if (auto made = resegment(store, run.id); !made) return made;
      report.remarks.push_back(name + ": its figures were made anew from the readings that are there");
    } else if (!state) {
      if (auto cleared = store.apply(storage::ClearRunState{run.id}); !cleared) return cleared;
      report.remarks.push_back(name + ": its figures are lost");
    }
    if (auto done = store.commit(); !done) return done;
  }
  return {};
}

}  // namespace nightwatt::figures
