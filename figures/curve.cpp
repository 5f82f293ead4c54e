#include "figures/curve.hpp"

#include <algorithm>
#include <cmath>

#include "figures/shown_power.hpp"
#include "measure/signal/held_power.hpp"

namespace nightwatt::figures {
namespace {

/// Up to here reading all is quicker than asking the sums for each stretch: about a fortnight at a reading a second.
constexpr std::int64_t one_pass_readings = 1'200'000;

std::optional<SegmentKind> kind_at(const RunRecord& record, UtcTime time) {
  for (const Segment& segment : record.segments)
    if (segment.begin <= time && time < segment.end) return segment.kind;
  return std::nullopt;
}

/// Equal parts of a window, and in which one an instant lies.
struct Parts {
  Window window;
  std::int64_t span, count;
  double width;
  Parts(Window whole, std::size_t most)
      : window(whole),
        span((whole.to - whole.from).count() + 1),
        count(std::min<std::int64_t>(static_cast<std::int64_t>(most), span)),
        width(static_cast<double>(span) / static_cast<double>(count)) {}
  [[nodiscard]] std::size_t part_at(UtcTime time) const {
    const double at = static_cast<double>((time - window.from).count()) / width;
    return static_cast<std::size_t>(std::clamp(at, 0.0, static_cast<double>(count - 1)));
  }
  [[nodiscard]] std::vector<Bin> empty_bins(const RunRecord& record) const {
    std::vector<Bin> bins;
    for (std::int64_t i = 0; i < count; ++i) {
      const UtcTime begin{window.from.us + static_cast<std::int64_t>(static_cast<double>(i) * width)};
      bins.push_back(
          {begin, 0, 0.0, 0.0, 0.0, kind_at(record, UtcTime{begin.us + static_cast<std::int64_t>(width / 2)})});
    }
    return bins;
  }
};

/// What a meter that reports on change showed, each value by its time; where its readings were given up, what is left.
Result<std::vector<Bin>> bins_by_time(const storage::StoreReader& store, const RunRecord& record, Window window,
                                      std::size_t most) {
  const Parts parts(window, most);
  std::vector<Bin> bins = parts.empty_bins(record);
  std::vector<double> weights(bins.size(), 0.0);
  const auto visited =
      figures::shown_or_left(store, record.info, window.from, window.to, [&](const figures::ShownPower& shown) {
        if (shown.shown <= Duration{0}) return;
        const UtcTime end = shown.begin + shown.length - Duration{1};
        // A look belongs to the part it falls into; a minute or an hour is shared out.
        const bool look = shown.length == HeldPower::beat;
        const std::size_t first = parts.part_at(shown.begin), last = look ? first : parts.part_at(end);
        const double share = to_seconds(shown.shown).value / static_cast<double>(last - first + 1);
        for (std::size_t i = first; i <= last; ++i) {
          Bin& bin = bins[i];
          bin.lowest_w = weights[i] == 0.0 ? shown.lowest_w : std::min(bin.lowest_w, shown.lowest_w);
          bin.highest_w = weights[i] == 0.0 ? shown.highest_w : std::max(bin.highest_w, shown.highest_w);
          weights[i] += share;
          bin.mean_w += (shown.mean_w - bin.mean_w) * share / weights[i];
          bin.samples = std::max<std::int64_t>(1, std::llround(weights[i]));
        }
      });
  if (!visited) return tl::unexpected(visited.error());
  return bins;
}

/// In one pass over the readings.
Result<std::vector<Bin>> bins_of_readings(const storage::StoreReader& store, const RunRecord& record, Window window,
                                          std::size_t most) {
  const Parts parts(window, most);
  std::vector<Bin> bins = parts.empty_bins(record);
  const auto visited =
      figures::shown_powers(store, record.info, window.from, window.to, [&](UtcTime time, double watts) {
        Bin& bin = bins[parts.part_at(time)];
        bin.lowest_w = bin.samples == 0 ? watts : std::min(bin.lowest_w, watts);
        bin.highest_w = bin.samples == 0 ? watts : std::max(bin.highest_w, watts);
        ++bin.samples;
        bin.mean_w += (watts - bin.mean_w) / static_cast<double>(bin.samples);
        return true;
      });
  if (!visited) return tl::unexpected(visited.error());
  return bins;
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
  // Readings that hold are not told by the sums of those that lie in a stretch.
  if (record.info.traits.on_change) return bins_by_time(store, record, window, most);
  const std::int64_t span = (window.to - window.from).count() + 1;
  const std::int64_t count = std::min<std::int64_t>(static_cast<std::int64_t>(most), span);
  std::vector<Bin> bins;
  const auto edge = [&](std::int64_t i) {
    return UtcTime{window.from.us + span / count * i + span % count * i / count};
  };
  for (std::int64_t i = 0; i < count; ++i) {
    const UtcTime begin = edge(i), next = edge(i + 1);
    const auto sums = store.aggregates(record.info.stream, Quantity::power, begin, UtcTime{next.us - 1});
    if (!sums) return tl::unexpected(sums.error());
    bins.push_back({begin, sums->count, sums->mean, sums->min, sums->max,
                    kind_at(record, UtcTime{begin.us + (next.us - begin.us) / 2})});
  }
  return bins;
}

Result<std::vector<Bin>> curve_of(const storage::StoreReader& store, const RunRecord& record, Window window,
                                  std::size_t most) {
  if (record.info.traits.on_change) return bins_by_time(store, record, window, most);
  const auto whole = store.raw_is_whole(record.info.stream, window.from, window.to);
  if (!whole) return tl::unexpected(whole.error());
  if (!*whole || record.summary.samples > one_pass_readings) return bins_of(store, record, window, most);
  return bins_of_readings(store, record, window, most);
}

}  // namespace nightwatt::figures
