#include "figures/shown_power.hpp"

#include <algorithm>

#include "figures/run_recorder.hpp"
#include "measure/signal/held_power.hpp"

namespace nightwatt::figures {

using storage::RunInfo;
using storage::StoreReader;

namespace {

/// Looks at a display between two instants, of a meter that reports on change.
class DisplayWatch {
 public:
  DisplayWatch(const StoreReader& store, const RunInfo& info) : store_(store), info_(info), held_(info.traits.gap_s) {}

  Result<void> begin(UtcTime from) {
    const auto shown = shown_at(store_, info_.stream, info_.traits, from);
    if (!shown) return tl::unexpected(shown.error());
    if (*shown) held_.begin_held((*shown)->since, (*shown)->power_w, from);
    return {};
  }
  template <class Take>
  void push(const Reading& reading, Take&& take) {
    if (const auto power = reading.values.get(Quantity::power)) held_.push(reading.time, power->value(), take);
  }
  /// What was shown is told by other means up to here, and begins anew behind it.
  void interrupt() { held_ = HeldPower(info_.traits.gap_s); }
  /// As far as is known that it was shown: to a later reading, or to the run's end.
  template <class Take>
  Result<void> end(UtcTime from, UtcTime to, Take&& take) {
    const auto last = store_.last_reading(info_.stream);
    if (!last) return tl::unexpected(last.error());
    const UtcTime known = info_.end ? *info_.end : *last ? (*last)->time : from;
    held_.hold_until(std::max(from, std::min(to, known)), take);
    return {};
  }

 private:
  const StoreReader& store_;
  const RunInfo& info_;
  HeldPower held_;
};

}  // namespace

Result<void> shown_powers(const StoreReader& store, const RunInfo& info, UtcTime from, UtcTime to,
                          const std::function<bool(UtcTime, double)>& visit) {
  if (!info.traits.on_change) {
    return store.readings(info.stream, from, to, [&](const Reading& reading) {
      const auto power = reading.values.get(Quantity::power);
      return !power || visit(reading.time, power->value());
    });
  }
  bool wanted = true;
  const auto take = [&](UtcTime time, double power_w) { wanted = wanted && visit(time, power_w); };
  DisplayWatch watch(store, info);
  if (auto begun = watch.begin(from); !begun) return begun;
  const Result<void> read = store.readings(info.stream, from, to, [&](const Reading& reading) {
    watch.push(reading, take);
    return wanted;
  });
  if (!read || !wanted) return read;
  return watch.end(from, to, take);
}

Result<void> shown_or_left(const StoreReader& store, const RunInfo& info, UtcTime from, UtcTime to,
                           const std::function<void(const ShownPower&)>& visit) {
  const auto take = [&](UtcTime time, double power_w) {
    visit({time, HeldPower::beat, HeldPower::beat, power_w, power_w, power_w});
  };
  DisplayWatch watch(store, info);
  if (auto begun = watch.begin(from); !begun) return begun;
  // A reading that was given up may have been shown for as long as one holds, into the window.
  const Duration reach = longest_hold(info.traits);
  const Result<void> read = store.readings_and_rollups(
      info.stream, Quantity::power, from - reach, to,
      [&](const Reading& reading) {
        if (reading.time >= from) watch.push(reading, take);
        return true;
      },
      [&](const storage::Rollup& left) {
        watch.interrupt();
        if (left.begin + left.step > from)
          visit({left.begin, left.step, left.shown.value_or(left.step), left.min, left.mean, left.max});
        return true;
      });
  if (!read) return read;
  return watch.end(from, to, take);
}

}  // namespace nightwatt::figures
