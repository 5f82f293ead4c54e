#include "figures/run_figures.hpp"

#include <utility>

#include "figures/run_recorder.hpp"
#include "measure/run/run_builder.hpp"
#include "measure/segment/segment_correction.hpp"

namespace nightwatt::figures {

using storage::Event;
using storage::EventKind;
using storage::Mark;
using storage::RunInfo;
using storage::RunState;
using storage::Sketches;
using storage::Snapshot;
using storage::StoreReader;

namespace {

/// All stretches of the run as of now; how many of them are final; and the totals.
struct Pieces {
  std::vector<Regime> regimes;
  std::size_t final_count = 0;
  Learnt learnt;
  RunTotals totals;
};

Result<Pieces> pieces_of(const StoreReader& store, const RunInfo& info, Sketches wanted) {
  Result<RunState> state = store.run_state(info.id, wanted);
  Pieces pieces;
  if (state && info.end && state->as_of && state->segmenter_bytes.empty()) {
    if (Result<RunTotals> totals = RunTotals::restore(state->totals_bytes, reporting_of(info.traits))) {
      pieces.regimes = std::move(state->regimes);
      pieces.totals = std::move(*totals);
      pieces.learnt = state->learnt;
      pieces.final_count = pieces.regimes.size();
      return pieces;
    }
  }
  Result<RunRecorder> recorder = RunRecorder::as_of(store, info, state, info.end.value_or(end_of_time));
  if (!recorder) return tl::unexpected(recorder.error());
  if (state && !recorder->anew()) pieces.regimes = std::move(state->regimes);
  RunBuilder builder = std::move(*recorder).take_builder();
  if (info.end) builder.finish(*info.end);
  for (Regime& regime : builder.take_final()) pieces.regimes.push_back(std::move(regime));
  pieces.final_count = pieces.regimes.size();
  if (!info.end)
    for (Regime& regime : builder.segmenter().provisional()) pieces.regimes.push_back(std::move(regime));
  pieces.learnt = builder.segmenter().learnt();
  pieces.totals = builder.totals();
  // The readings since have told the display's step better: other figures are to be made anew than the state knew of.
  if (wanted == Sketches::where_needed && state && state->learnt.step_w != pieces.learnt.step_w)
    return pieces_of(store, info, Sketches::all);
  return pieces;
}

/// An outage's length is the calendar's on either side of it, as far as that is known by now.
void notify_outage(const Calendar::Outage& outage, RunFigures& figures) {
  const auto first = figures.totals.first(), last = figures.totals.last();
  if (!first || outage.end <= *first || outage.end > *last) return;
  const std::optional<Duration> unseen = figures.calendar.unseen(outage);
  figures.totals.correct_gaps(unseen.value_or(outage.newest - outage.end));
  if (unseen) return;
  figures.segment_warnings.emplace_back(
      "an outage of unknown length: the computer restarted with its clock set earlier than the last reading; the gap "
      "counts as no time, and the times of day before or after it are wrong (to do: have the clock set before "
      "nightwattd starts)");
}

}  // namespace

Result<RunFigures> run_figures(const StoreReader& store, storage::RunId run, Sketches wanted) {
  const Result<Snapshot> moment = store.snapshot();
  if (!moment) return tl::unexpected(moment.error());
  Result<RunInfo> info = store.run(run);
  if (!info) return tl::unexpected(info.error());
  RunFigures figures;
  figures.info = *info;
  if (info->origin == storage::RunOrigin::entered) return figures;

  Result<Pieces> pieces = pieces_of(store, *info, wanted);
  if (!pieces) return tl::unexpected(pieces.error());
  ClassifyInput input;
  input.settings = segmenter_settings(*info);
  input.learnt = pieces->learnt;
  input.run_begin = info->begin;
  input.run_end = info->end.value_or(pieces->totals.last().value_or(info->begin));
  input.open = !info->end;
  input.final_count = pieces->final_count;
  const Result<std::vector<Mark>> marks = store.marks(run);
  if (!marks) return tl::unexpected(marks.error());
  for (const Mark& mark : *marks)
    if (mark.kind) input.marks.push_back({mark.at, *mark.kind});
  Classified classified = classify(pieces->regimes, input);
  // Kinds go by what the display showed, so the correction comes after them.
  if (info->traits.correction)
    for (Segment& segment : classified.segments) correct(segment, *info->traits.correction);
  figures.segments = std::move(classified.segments);
  figures.segment_warnings = std::move(classified.warnings);
  figures.regimes = std::move(pieces->regimes);
  figures.totals = std::move(pieces->totals);
  figures.step_w = pieces->learnt.step_w;

  const UtcTime last = info->end.value_or(end_of_time);
  Result<Calendar> calendar = store.calendar(info->stream, info->begin, last);
  if (!calendar) return tl::unexpected(calendar.error());
  figures.calendar = std::move(*calendar);
  figures.utc_offset = figures.calendar.utc_offset_at(last);
  const Result<std::vector<Event>> events = store.events(info->begin, last);
  if (!events) return tl::unexpected(events.error());
  for (const Event& event : *events)
    if (event.kind == EventKind::clock_step && info->meter && (!event.meter || event.meter == info->meter))
      ++figures.clock_steps;
  for (const Calendar::Outage& outage : figures.calendar.outages()) notify_outage(outage, figures);
  return figures;
}

}  // namespace nightwatt::figures
