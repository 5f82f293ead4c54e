#include "figures/curve.hpp"

#include <algorithm>

namespace nightwatt::figures {
namespace {

std::optional<SegmentKind> kind_at(const RunRecord& record, UtcTime time) {
  for (const Segment& segment : record.segments)
    if (segment.begin <= time && time < segment.end) return segment.kind;
  return std::nullopt;
}

}  // namespace

Result<Window> whole_run(const storage::StoreReader& store, const RunRecord& record) {
  Window window{record.info.begin, record.info.begin};
  if (record.info.end) {
    window.to = *record.info.end;
    return window;
  }
  const auto last = store.last_reading(record.info.stream);
  if (!last) return tl::unexpected(last.error());
  if (*last) window.to = std::max(window.from, (*last)->time);
  return window;
}

Result<std::vector<Bin>> bins_of(const storage::StoreReader& store, const RunRecord& record, Window window,
                                 std::size_t most) {
  const std::int64_t span = (window.to - window.from).count() + 1;
  const std::int64_t count = std::min<std::int64_t>(static_cast<std::int64_t>(most), span);
  std::vector<Bin> bins;
  const auto edge = [&](std::int64_t i) {
    return UtcTime{window.from.us + span / count * i + span % count * i / count};
  };
  for (std::int64_t i = 0; i < count; ++i) {
    const UtcTime begin = edge(i), next = edge(i + 1);
    const auto sums = store.sums(record.info.stream, Quantity::power, begin, UtcTime{next.us - 1});
    if (!sums) return tl::unexpected(sums.error());
    bins.push_back({begin, sums->count, sums->mean, sums->min, sums->max,
                    kind_at(record, UtcTime{begin.us + (next.us - begin.us) / 2})});
  }
  return bins;
}

}  // namespace nightwatt::figures
