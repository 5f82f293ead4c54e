// Segments made by hand, for tests of what is made of segments.
#pragma once

#include <initializer_list>
#include <optional>
#include <vector>

#include "measure/segment/segment.hpp"

namespace made {

using nightwatt::Segment;
using nightwatt::SegmentKind;

struct Made {
  SegmentKind kind;
  double length_s;
  double mean_w;
  double uncertainty_w = 0.1;  ///< of the level, where the kind has one
};

inline bool has_level(SegmentKind kind) {
  return kind != SegmentKind::ramp && kind != SegmentKind::unsteady && kind != SegmentKind::gap;
}

/// One after the other from 0 on; a level is its mean. What makes the uncertainty is all chance, with no end of
/// freedom.
inline std::vector<Segment> segments(const std::vector<Made>& all) {
  std::vector<Segment> result;
  double at_s = 0.0;
  for (const Made& made : all) {
    Segment s;
    s.kind = made.kind;
    s.begin = nightwatt::UtcTime{static_cast<std::int64_t>(at_s * 1e6)};
    at_s += made.length_s;
    s.end = nightwatt::UtcTime{static_cast<std::int64_t>(at_s * 1e6)};
    s.samples = static_cast<std::int64_t>(made.length_s);
    if (made.kind != SegmentKind::gap) {
      s.mean_w = made.mean_w;
      s.energy_wh = made.mean_w * made.length_s / 3600.0;
    }
    if (has_level(made.kind)) {
      s.level_w = made.mean_w;
      s.uncertainty_w = made.uncertainty_w;
      s.parts = nightwatt::LevelParts{made.uncertainty_w / 2.0, 1e9, 0.0, 0.0};
    }
    result.push_back(s);
  }
  return result;
}

}  // namespace made
