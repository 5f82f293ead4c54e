// All that a query may say of a store, as one text: two stores that say the same give the same.
#pragma once

#include <string>

#include "figures/run_figures.hpp"
#include "helpers.hpp"

namespace nightwatt::storage::test {

inline constexpr UtcTime always_end{4'000'000'000'000'000'000};

class Answers {
 public:
  explicit Answers(const StoreReader& store) : store_(store) {}

  /// An error where any part of it is damaged.
  [[nodiscard]] Result<std::string> all() {
    const auto runs = store_.runs();
    if (!runs) return tl::unexpected<Error>(runs.error());
    for (const RunInfo& run : *runs)
      if (auto said = say_run(run); !said) return tl::unexpected<Error>(said.error());
    const auto streams = store_.streams();
    if (!streams) return tl::unexpected<Error>(streams.error());
    for (const StreamInfo& stream : *streams)
      if (auto said = say_stream(stream); !said) return tl::unexpected<Error>(said.error());
    const auto events = store_.events(UtcTime{0}, always_end);
    if (!events) return tl::unexpected<Error>(events.error());
    for (const Event& event : *events) {
      put(static_cast<int>(event.kind), event.at.us, event.amount);
      text_ += event.detail;
    }
    return text_;
  }

 private:
  template <class... Values>
  void put(Values... values) {
    ((text_ += std::to_string(values) + " "), ...);
  }

  Result<void> say_run(const RunInfo& run) {
    put(run.id, run.begin.us, run.end.value_or(UtcTime{0}).us, run.samples);
    text_ += run.device.value_or("-") + run.note;
    for (const std::string& word : run.includes) text_ += word;
    for (const auto& [key, value] : run.conditions) text_ += key + value;
    put(run.entered_idle_w.value_or(-1), run.entered_load_w.value_or(-1));
    const auto marks = store_.marks(run.id);
    if (!marks) return tl::unexpected<Error>(marks.error());
    for (const Mark& mark : *marks) text_ += mark.text;
    const auto standby = store_.entered_standby_w(run.id);
    if (!standby) return tl::unexpected<Error>(standby.error());
    put(standby->value_or(-1));
    return run.stream == 0 ? Result<void>{} : say_figures(run);
  }

  Result<void> say_figures(const RunInfo& run) {
    const auto figures = figures::run_figures(store_, run.id, Sketches::all);
    if (!figures) return tl::unexpected<Error>(figures.error());
    for (const Segment& segment : figures->segments)
      put(static_cast<int>(segment.kind), segment.begin.us, segment.level_w.value_or(-1),
          segment.uncertainty_w.value_or(-1), segment.energy_wh.value_or(-1));
    put(figures->totals.energy_wh().value_or(-1), figures->totals.samples(), figures->clock_steps,
        figures->utc_offset.count());
    for (const auto& outage : figures->calendar.outages()) put(outage.newest.us, outage.end.us);
    return say_aggregates(run.stream, run.begin, run.end.value_or(always_end));
  }

  Result<void> say_aggregates(StreamId stream, UtcTime from, UtcTime to) {
    for (const Quantity quantity : all_quantities) {
      const auto aggregates = store_.aggregates(stream, quantity, from, to);
      if (!aggregates) return tl::unexpected<Error>(aggregates.error());
      put(aggregates->count, aggregates->mean, aggregates->energy_wh.value_or(-1));
    }
    return {};
  }

  Result<void> say_stream(const StreamInfo& stream) {
    text_ += stream.meter.value_or("-");
    if (auto said = say_aggregates(stream.id, UtcTime{0}, always_end); !said) return said;
    const auto last = store_.last_reading(stream.id);
    if (!last) return tl::unexpected<Error>(last.error());
    put(*last ? (*last)->time.us : 0);
    std::uint64_t digits = 0;  // a fingerprint, so it may wrap
    std::int64_t count = 0;
    const auto read = store_.readings(stream.id, UtcTime{0}, always_end, [&](const Reading& reading) {
      if (const auto power = reading.values.get(Quantity::power))
        digits = digits * 31 + static_cast<std::uint64_t>(power->mantissa);
      digits = digits * 31 + static_cast<std::uint64_t>(reading.time.us);
      ++count;
      return true;
    });
    if (!read) return read;
    put(digits, count);
    for (const RollupStep step : {RollupStep::minute, RollupStep::hour}) {
      const auto visit = [&](const Rollup& rollup) {
        put(rollup.count, rollup.max - rollup.min + rollup.mean);
        return true;
      };
      const auto rolled = store_.rollups(stream.id, Quantity::power, step, UtcTime{0}, always_end, visit);
      if (!rolled) return rolled;
    }
    return {};
  }

  const StoreReader& store_;
  std::string text_;
};

inline Result<std::string> all_answers(const std::string& path) {
  const auto store = StoreReader::open(path);
  if (!store) return tl::unexpected<Error>(store.error());
  return Answers(*store).all();
}

inline std::string answers(const std::string& path) {
  return must(all_answers(path));
}

}  // namespace nightwatt::storage::test
