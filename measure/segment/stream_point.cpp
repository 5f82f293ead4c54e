#include "segment/stream_point.hpp"

#include <algorithm>

#include "measure/signal/microwatts.hpp"

namespace nightwatt {

namespace {
constexpr std::size_t second_value_limit = 16;  // different values in a second: more, and the display is a fine one
}  // namespace

StreamPoint::StreamPoint(const RawReading& r) : n(1), moved(r.moved), repeats(r.repeats) {
  first = last = r.time;
  mean = low = high = first_w = last_w = r.power_w;
}

void StreamPoint::add(const RawReading& r) {
  if (n == 1) count(first_w);
  if (!values.empty()) count(r.power_w);
  if (r.moved) {
    const bool broken = moved && moved->tick.broken;
    moved = r.moved;
    moved->tick.broken = moved->tick.broken || broken;
  }
  repeats.add(r.repeats);
  integral_ws += to_seconds(r.time - last).value * (r.power_w + last_w) / 2.0;
  ++n;
  const double d = r.power_w - mean;
  mean += d / static_cast<double>(n);
  m2 += d * (r.power_w - mean);
  low = std::min(low, r.power_w);
  high = std::max(high, r.power_w);
  last = r.time;
  last_w = r.power_w;
}

void StreamPoint::count(double power_w) {
  const std::optional<std::int64_t> value = microwatts_of(power_w);
  const auto at = std::find_if(values.begin(), values.end(),
                               [&](const ShownValue& shown) { return shown.microwatts == value.value_or(0); });
  if (!value || (at == values.end() && values.size() == second_value_limit))
    values.clear();
  else if (at == values.end())
    values.push_back({*value, 1});
  else
    ++at->n;
}

std::optional<StreamPoint> SecondBins::add(const RawReading& r) {
  const std::int64_t second = r.time.us / 1'000'000 - (r.time.us % 1'000'000 < 0 ? 1 : 0);
  if (bin_.n > 0 && second == second_) {
    bin_.add(r);
    return std::nullopt;
  }
  std::optional<StreamPoint> before = close();
  second_ = second;
  bin_ = StreamPoint(r);
  return before;
}

std::optional<StreamPoint> SecondBins::close() {
  if (bin_.n == 0) return std::nullopt;
  const StreamPoint whole = bin_;
  bin_.n = 0;
  return whole;
}

}  // namespace nightwatt
