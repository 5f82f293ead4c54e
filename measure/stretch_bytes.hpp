// One stretch to bytes and back, for the store's copy and for the segmenter's saved state alike.
#pragma once

#include "bytes.hpp"
#include "measure/stretch.hpp"

namespace nightwatt {

void write_stretch(ByteWriter& out, const Stretch& stretch);
/// Refuses the reader when the bytes cannot be a stretch.
[[nodiscard]] Stretch read_stretch(ByteReader& in);

}  // namespace nightwatt
