#include "figures/recompute.hpp"

#include <algorithm>
#include <span>

#include "measure/uncertainty/recompute_figure.hpp"

namespace nightwatt::figures {

using storage::RunId;
using storage::RunState;
using storage::Sketches;
using storage::StoreReader;
using storage::StoreWriter;

namespace {

// As an import writes them: rows of some 10 kB of outlines.
constexpr std::size_t batch = 100;

bool any_out_of_date(const RunState& state) {
  return std::any_of(state.regimes.begin(), state.regimes.end(),
                     [&](const Regime& regime) { return regime.wants_figure_for(state.learnt.step_w); });
}

Result<void> put_again(StoreWriter& store, RunId run, const RunState& state) {
  if (auto cleared = store.apply(storage::ClearRunState{run}); !cleared) return cleared;
  for (std::span<const Regime> left(state.regimes); !left.empty();) {
    const auto some = left.first(std::min(batch, left.size()));
    if (auto put = store.apply(storage::SaveRun{run, some, state}); !put) return put;
    left = left.subspan(some.size());
  }
  return {};
}

}  // namespace

bool has_old_figures(const StoreReader& store, RunId run) {
  const auto info = store.run(run);
  if (!info || !info->end || info->stream == 0) return false;
  const auto kept = store.run_state(run, Sketches::where_needed);
  return kept && any_out_of_date(*kept);
}

Result<void> recompute_figures(StoreWriter& store, RunId run) {
  const auto info = store.reader().run(run);
  if (!info) return tl::unexpected(info.error());
  auto state = store.reader().run_state(run, Sketches::all);
  if (!state) return tl::unexpected(state.error());
  for (Regime& regime : state->regimes)
    if (regime.wants_figure_for(state->learnt.step_w))
      recompute_figure(regime, state->learnt.step_w, info->traits.rounding);
  return put_again(store, run, *state);
}

}  // namespace nightwatt::figures
