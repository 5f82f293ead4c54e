// Explains a row of pieces at once: the cheapest choice of where segments begin and which model each of them follows.
//
// Dynamic programming over the pieces between two gaps. Every choice is paid in one currency, nats of description
// length: how badly the model predicts the pieces (negative log-likelihood) and what naming it costs. docs/measuring.md
// ("How a night becomes segments") explains the models and holds the table of the constants.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "segment/segment_pieces.hpp"

namespace nightwatt {

/// One segment and the pieces [first, last) it is made of; its shape says which model explains it.
struct Explained {
  Piece part;
  std::size_t first = 0;
  std::size_t last = 0;
};

struct Explanation {
  std::vector<Explained> segments;  ///< cover all pieces, in order
  /// So many of them are the same whatever comes after the last piece: they follow from every explanation that the
  /// last `lookahead` pieces could still turn into the best one.
  std::size_t decided = 0;
};

/// `pieces` follow each other without hole. `lookahead`: how many of the last pieces may still change sides.
[[nodiscard]] Explanation explain(std::span<const Piece> pieces, const PieceRules& rules, std::size_t lookahead);

}  // namespace nightwatt
