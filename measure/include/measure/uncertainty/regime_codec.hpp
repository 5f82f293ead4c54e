// A stretch as the bytes that a store keeps of it.
#pragma once

#include <string>
#include <string_view>

#include "measure/signal/result.hpp"

namespace nightwatt {

class Regime;

/// Bytes of one stretch, versioned, whole or without its sketch: that is most of it, and only a budget asks for it.
[[nodiscard]] std::string encode_regime(const Regime& regime);
[[nodiscard]] std::string encode_outline(const Regime& regime);
[[nodiscard]] std::string encode_sketch(const Regime& regime);
/// Of encode_regime() or encode_outline(), of this version or an older one.
[[nodiscard]] Result<Regime> decode_regime(std::string_view bytes);
/// Puts the sketch back that encode_outline() left out.
[[nodiscard]] Result<void> decode_sketch(std::string_view bytes, Regime& outline);

}  // namespace nightwatt
