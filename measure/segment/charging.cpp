#include "segment/charging.hpp"

#include <algorithm>
#include <cmath>

#include "measure/segment/states.hpp"

namespace nightwatt {

namespace {

constexpr double longest_tail = 0.5;    // of a charging curve's length: pieces at its end
constexpr double still_falling = 0.03;  // of the power: the noise of a piece that goes on falling

/// What a curve led to, though its last watts are in it.
bool level_at_its_end(const Segment& segment, const Regime& regime) {
  return *segment.shown_w <= (1.0 + idle_share) * regime.line_end_w;
}

/// The segment after `i` belongs to the curve before it: another such curve, or a short piece that still falls.
bool goes_on_falling(std::span<const Segment> segments, std::span<const Regime> regimes, std::size_t i,
                     double curve_s) {
  const auto falls = [&](std::size_t k) {
    return k < segments.size() && segments[k].mean_w && segments[k - 1].mean_w &&
           segments[k].kind != SegmentKind::off &&
           *segments[k].mean_w < (1.0 + still_falling) * *segments[k - 1].mean_w;
  };
  const auto curve = [&](std::size_t k) {
    return falls(k) && regimes[k].shape == RegimeShape::decay && !level_at_its_end(segments[k], regimes[k]);
  };
  if (!falls(i + 1)) return false;
  return curve(i + 1) || curve(i + 2) || (length_s(segments[i + 1]) < longest_tail * curve_s && falls(i + 2));
}

}  // namespace

std::vector<Charge> find_charges(std::span<const Segment> segments, std::span<const Regime> regimes) {
  std::vector<Charge> charges;
  for (std::size_t i = 0; i < segments.size(); ++i) {
    if (regimes[i].shape != RegimeShape::decay || !holds_power(segments[i])) continue;
    if (i > 0 && is_within(charges, i - 1) && level_at_its_end(segments[i], regimes[i])) continue;
    std::size_t first = i;
    const double begins_w = regimes[i].line_begin_w;
    while (first > 0 && holds_power(segments[first - 1]) &&
           std::abs(*segments[first - 1].shown_w - begins_w) <= charging_step * begins_w)
      --first;
    const double curve_s = length_s(segments[i]);
    while (goes_on_falling(segments, regimes, i, curve_s)) ++i;
    charges.push_back({first, i});
  }
  return charges;
}

bool is_within(std::span<const Charge> charges, std::size_t segment) {
  return std::any_of(charges.begin(), charges.end(),
                     [&](const Charge& c) { return c.first <= segment && segment <= c.last; });
}

}  // namespace nightwatt
