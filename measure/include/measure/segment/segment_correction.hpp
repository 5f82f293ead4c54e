// A meter's calibration applied to the figures of a segment.
#pragma once

#include "measure/segment/segment.hpp"
#include "measure/signal/correction.hpp"

namespace nightwatt {

/// What the segment's figures come to with it: the correction's uncertainty takes the place of the promise. What is off
/// stays as it was shown.
void correct(Segment& segment, const Correction& correction);

}  // namespace nightwatt
