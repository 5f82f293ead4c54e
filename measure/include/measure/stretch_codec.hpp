// A stretch as the bytes that a store keeps of it.
#pragma once

#include <string>
#include <string_view>

#include "measure/result.hpp"

namespace nightwatt {

class Stretch;

/// Bytes of one stretch, versioned, whole or without its sketch: that is most of it, and only a budget asks for it.
[[nodiscard]] std::string encode_stretch(const Stretch& stretch);
[[nodiscard]] std::string encode_outline(const Stretch& stretch);
[[nodiscard]] std::string encode_sketch(const Stretch& stretch);
/// Of encode_stretch() or encode_outline(), of this version or an older one.
[[nodiscard]] Result<Stretch> decode_stretch(std::string_view bytes);
/// Puts the sketch back that encode_outline() left out.
[[nodiscard]] Result<void> decode_sketch(std::string_view bytes, Stretch& outline);

}  // namespace nightwatt
