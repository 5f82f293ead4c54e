#include "measure/segment/segment_correction.hpp"

#include <optional>

namespace nightwatt {

void correct(Segment& segment, const Correction& correction) {
  if (segment.kind == SegmentKind::off || segment.kind == SegmentKind::gap) return;
  const double shown_w = segment.level_w.value_or(segment.mean_w.value_or(0.0));
  const double slope = correction.slope_at(shown_w);
  if (segment.energy_wh && segment.mean_w && *segment.mean_w != 0.0)
    segment.energy_wh = correction.at(*segment.mean_w) * (*segment.energy_wh / *segment.mean_w);
  for (std::optional<double>* power :
       {&segment.level_w, &segment.mean_w, &segment.settled_w, &segment.lowest_w, &segment.highest_w})
    if (*power) *power = correction.at(**power);
  if (segment.drift_w_per_h) *segment.drift_w_per_h *= slope;
  if (!segment.parts) return;
  segment.parts->random_w *= slope;
  segment.parts->systematic_w *= slope;
  segment.parts->accuracy_w = correction.standard_deviation_at(shown_w);
  segment.uncertainty_w = segment.parts->expanded_w();
}

}  // namespace nightwatt
