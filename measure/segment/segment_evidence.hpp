// What each piece says of a model that might explain it, and how sure that is.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "segment/segment_pieces.hpp"

namespace nightwatt {

// Of the table of docs/measuring.md, "How a night becomes segments"; the models ask for them too.
constexpr double tolerance_share = 0.010;  // by which the pieces of one level scatter: a share of it
constexpr double tolerance_w = 0.01;
constexpr double wander_share = 0.03;     // and by which a level wanders that never steps
constexpr double steps_share = 0.15;      // of the mean: a level scatters less, unless it is noise that forgets at once
constexpr std::int64_t least_points = 3;  // that tell a lean, or more than a jump

/// What a piece says: its mean, and how far it leans from begin to end, each with its variance about a model.
struct Evidence {
  double begin_s = 0.0;  // from the first piece's begin
  double length_s = 0.0;
  double middle_s = 0.0;  // of its readings: a slow meter's lie anywhere in a short piece
  double mean_w = 0.0;
  double mean_variance = 0.0;
  double head_w = 0.0;  // of its first and last readings
  double tail_w = 0.0;
  double lean_w = 0.0;
  double lean_variance = 0.0;
  std::int64_t points = 0;  // what the engine saw: readings, or seconds of a fast stream
  std::int64_t readings = 0;
  bool brief = false;            // shorter than any steady segment
  bool irregular = false;        // known to be irregular work
  bool restless = false;         // no mean of it can be quoted
  double wander_variance = 0.0;  // more for the mean, where nothing steps
  double own_variance = 0.0;     // of its readings, without its lean
  double far_variance = 0.0;     // both: what is further off than this allows departs from a level
  double step_before = 1.0;      // how surely the power steps where the piece begins: 0 not at all, 1 surely
};

/// One of each piece, in order.
[[nodiscard]] std::vector<Evidence> evidence_of(std::span<const Piece> pieces, const PieceRules& rules);

}  // namespace nightwatt
