// One stretch to bytes and back, for the store's copy and for the segmenter's saved state alike.
#pragma once

#include "measure/uncertainty/regime.hpp"
#include "signal/bytes.hpp"

namespace nightwatt {

void write_regime(ByteWriter& out, const Regime& regime);
/// Refuses the reader when the bytes cannot be a stretch.
[[nodiscard]] Regime read_regime(ByteReader& in);

}  // namespace nightwatt
