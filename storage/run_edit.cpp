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

}  // namespace

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
