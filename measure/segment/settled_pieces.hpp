// Makes stretches of the pieces that can no longer change.
#pragma once

#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "segment/segment_pieces.hpp"

namespace nightwatt {

struct SettledPieces {
  std::vector<Regime> final;  ///< each with its figure
  std::vector<Piece> rest;    ///< what follows them, not settled yet
};

constexpr std::size_t part_limit = 96;  // pieces kept before the oldest are settled

/// `all`: nothing can join the pieces any more. There is one at least.
[[nodiscard]] SettledPieces settled(std::span<const Piece> pieces, const PieceRules& rules, Rounding rounding,
                                    bool all);

}  // namespace nightwatt
