#include "measure/run/run_builder.hpp"

#include <charconv>
#include <string_view>
#include <utility>

namespace nightwatt {
namespace {

/// The two states of a run whose readings are held, one behind the other: `LENGTH held segmenter`.
std::string joined(const std::string& held, const std::string& segmenter) {
  return std::to_string(held.size()) + ' ' + held + segmenter;
}
struct TwoStates {
  std::string_view held, segmenter;
};
std::optional<TwoStates> parted(std::string_view joined) {
  std::size_t length = 0;
  const auto [end, problem] = std::from_chars(joined.data(), joined.data() + joined.size(), length);
  const auto begin = static_cast<std::size_t>(end - joined.data()) + 1;
  if (problem != std::errc() || begin > joined.size() || length > joined.size() - begin) return std::nullopt;
  return TwoStates{joined.substr(begin, length), joined.substr(begin + length)};
}

}  // namespace

Reporting reporting_of(const MeterTraits& traits) {
  return {traits.on_change, traits.gap_s};
}

RunBuilder::RunBuilder(SegmenterSettings settings) : segmenter_(settings), totals_(reporting_of(settings.traits)) {
  if (settings.traits.on_change) held_.emplace(settings.traits.gap_s);
}

Result<RunBuilder> RunBuilder::restore(SegmenterSettings settings, const SavedRun& saved) {
  RunBuilder builder(settings);
  std::string_view of_segmenter = saved.segmenter;
  if (builder.held_) {
    const auto states = parted(of_segmenter);
    auto held = HeldPower::restore(states ? states->held : std::string_view(), settings.traits.gap_s);
    if (!held) return tl::unexpected(held.error());
    builder.held_ = std::move(*held);
    of_segmenter = states->segmenter;
  }
  Result<Segmenter> segmenter = Segmenter::restore(settings, of_segmenter);
  if (!segmenter) return tl::unexpected(segmenter.error());
  Result<RunTotals> totals = RunTotals::restore(saved.totals, reporting_of(settings.traits));
  if (!totals) return tl::unexpected(totals.error());
  builder.segmenter_ = std::move(*segmenter);
  builder.totals_ = std::move(*totals);
  builder.as_of_ = saved.as_of;
  return builder;
}

void RunBuilder::begin_held(const ShownSince& shown, UtcTime begin) {
  if (!held_) return;
  held_->begin_held(shown.since, shown.power_w, begin);
  totals_.begin_held(shown.since, shown.power_w, begin);
}

void RunBuilder::push(const Reading& reading) {
  const auto power = reading.values.get(Quantity::power);
  if (power && held_)
    held_->push(reading.time, power->value(), [this](UtcTime time, double power_w) { see(time, power_w); });
  if (const auto counter = reading.values.get(Quantity::energy))
    segmenter_.push_counter(reading.time, counter->value());
  if (power && !held_) see(reading.time, power->value());
  totals_.push(reading);
  as_of_ = reading.time;
}

void RunBuilder::finish(UtcTime end) {
  if (held_) {
    held_->hold_until(end, [this](UtcTime time, double power_w) { see(time, power_w); });
    totals_.hold_until(end);
  }
  segmenter_.finish(end);
}

std::string RunBuilder::saved_segmenter() const {
  return held_ ? joined(held_->save(), segmenter_.save()) : segmenter_.save();
}

std::optional<double> RunBuilder::hold_limit_s() const {
  return held_ ? std::optional(held_->limit_s()) : std::nullopt;
}

}  // namespace nightwatt
