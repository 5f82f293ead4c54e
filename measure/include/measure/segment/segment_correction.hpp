// A meter's calibration applied to the figures of a segment.
#pragma once

#include "measure/segment/segment.hpp"
#include "measure/signal/correction.hpp"

namespace nightwatt {

/// Corrects the segment's figures; the correction's uncertainty takes the place of the promise. Segments of the kind
/// `off` stay as they were shown.
void correct(Segment& segment, const Correction& correction);

}  // namespace nightwatt
