#include "storage/run_edit.hpp"

#include <algorithm>

namespace nightwatt::storage {
namespace {

/// What nobody said of the first run and somebody said of the second is said of both.
Result<void> inherit(StoreWriter& store, const RunInfo& first, const RunInfo& second) {
  if (!first.device && second.device)
    if (auto named = store.apply(NameRun{first.id, *second.device}); !named) return named;
  if (!first.pinned && second.pinned)
    if (auto pinned = store.apply(PinRun{first.id, true}); !pinned) return pinned;
  RunWords words{first.note, first.includes, first.conditions};
  if (words.note.empty()) words.note = second.note;
  if (words.includes.empty()) words.includes = second.includes;
  for (const auto& condition : second.conditions)
    if (std::none_of(words.conditions.begin(), words.conditions.end(),
                     [&](const auto& one) { return one.first == condition.first; }))
      words.conditions.push_back(condition);
  return store.apply(DescribeRun{first.id, words});
}

/// Damage changes one column, most likely: of where the run lay two of three still tell.
bool may_lie_between(const DamagedRun& run, const RunInfo& first, UtcTime next) {
  if (!run.said) return true;
  const bool of_meter = run.said->stream == first.stream;
  const bool begins = run.said->begin > first.begin && run.said->begin < next;
  const bool ends = run.said->end && *run.said->end > first.begin && *run.said->end < next;
  if (run.said->is_sound) return of_meter && begins;
  return (of_meter ? 1 : 0) + (begins ? 1 : 0) + (ends ? 1 : 0) >= 2;
}

}  // namespace

Result<std::optional<RunBetween>> run_between(const StoreReader& store, const RunInfo& first, UtcTime next) {
  const Result<RunList> list = store.run_list();
  if (!list) return tl::unexpected(list.error());
  for (const RunInfo& run : list->sound)
    if (run.stream == first.stream && run.begin > first.begin && run.begin < next)
      return std::optional(RunBetween{run.id, true});
  for (const DamagedRun& run : list->damaged)
    if (may_lie_between(run, first, next)) return std::optional(RunBetween{run.id, false});
  if (!list->is_whole)
    return fail(ErrorKind::unusable,
                "runs are gone from the damaged store, and one of them may have lain between the two; `nightwatt "
                "salvage` brings all that is sound into a new store");
  return std::optional<RunBetween>{};
}

Result<void> take_into(StoreWriter& store, const RunInfo& first, RunId second, std::optional<UtcTime> end) {
  const Result<std::vector<Mark>> marks = store.reader().marks(second);
  if (!marks) return tl::unexpected(marks.error());
  const Result<RunInfo> info = store.reader().run(second);
  if (!info) return tl::unexpected(info.error());
  if (auto inherited = inherit(store, first, *info); !inherited) return inherited;
  if (auto cleared = store.apply(ClearRunState{first.id}); !cleared) return cleared;
  if (auto forgotten = store.apply(ForgetRun{second}); !forgotten) return forgotten;
  for (Mark mark : *marks) {
    if (mark.run != second) continue;  // a meter's mark stays where it is
    mark.run = first.id;
    if (auto put = store.apply(mark); !put) return put;
  }
  return store.apply(SetRunSpan{first.id, first.begin, end});
}

}  // namespace nightwatt::storage
