// Where exactly one stretch ends and the next begins, once it is known that they are two: jumps and the ends of ramps.
#pragma once

#include "segment/segment_pieces.hpp"

namespace nightwatt {

/// Moves the edge between two neighbours to where the readings on either side put it, time and readings and energy
/// with it: what both hold together stays the same. The edge's uncertainty is that of the likelihood's profile.
void place_edge(Piece& before, Piece& after, const PieceRules& rules);

/// A ramp's line: least squares through its readings, from edge to edge. After its edges were placed.
void draw_line(Piece& ramp);

}  // namespace nightwatt
