// Which segments are a battery that charges: falling curves, each with the constant parts that lead into it.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "measure/segment/segmenter.hpp"

namespace nightwatt {

constexpr double charging_step = 0.15;  // of a level: a charging curve joins the constant part, and what it ends in
constexpr double idle_share = 0.07;     // of idle: what is above it by no more is idle too

/// A steady segment of a device that is on.
[[nodiscard]] inline bool holds_power(const Segment& segment) {
  return segment.level_w.has_value() && segment.kind != SegmentKind::off;
}

/// Its first and last segment.
struct Charge {
  std::size_t first = 0;
  std::size_t last = 0;
};

/// `segments` were made of `regimes`, one of each, and those that are off are named. In order.
[[nodiscard]] std::vector<Charge> find_charges(std::span<const Segment> segments, std::span<const Regime> regimes);
[[nodiscard]] bool is_within(std::span<const Charge> charges, std::size_t segment);

}  // namespace nightwatt
