// Explains a row of pieces at once: as segments, each of which follows the model that was chosen for it.
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

struct SegmentExplanation {
  std::vector<Explained> segments;  ///< cover all pieces, in order
  /// So many of them are the same whatever comes after the last piece: they follow from every explanation that the
  /// last `lookahead` pieces could still turn into the best one.
  std::size_t decided = 0;
};

/// `pieces` follow each other without hole. `lookahead`: how many of the last pieces may still change sides.
[[nodiscard]] SegmentExplanation explain(std::span<const Piece> pieces, const PieceRules& rules, std::size_t lookahead);

}  // namespace nightwatt
