#include "segment/settled_pieces.hpp"

#include <utility>

#include "measure/uncertainty/recompute_figure.hpp"
#include "segment/explanation.hpp"
#include "segment/segment_edges.hpp"

namespace nightwatt {

namespace {

constexpr std::size_t part_lookahead = 24;  // pieces that may still change what lies before them

/// May be kept as one piece: a level stays one, and irregular work irregular.
bool is_span(const Explained& item) {
  const Regime& s = item.part.regime;
  const bool simple = s.shape == RegimeShape::unsteady || (s.shape == RegimeShape::steady && !s.duty);
  return simple && item.last - item.first > part_lookahead;
}

}  // namespace

SettledPieces settled(std::span<const Piece> pieces, const PieceRules& rules, Rounding rounding, bool all) {
  SegmentExplanation explanation = explain(pieces, rules, part_lookahead);
  std::vector<Explained>& items = explanation.segments;
  const bool end_in_sight = all || explanation.decided > 0 || items[0].last < pieces.size();
  if (!end_in_sight && !is_span(items[0])) {
    // More than a level: it ends before the last pieces, which stay.
    explanation = explain(pieces.first(pieces.size() - part_lookahead), rules, 0);
    explanation.decided = items.size();
  }
  std::size_t count = all ? items.size() : explanation.decided;
  SettledPieces out;
  const auto keep_from = [&](std::size_t first) {
    out.rest.insert(out.rest.end(), pieces.begin() + static_cast<std::ptrdiff_t>(first), pieces.end());
  };
  if (count == 0 && is_span(items[0])) {
    // One long span whose end is not in sight: what it is made of need not be kept.
    out.rest.push_back(std::move(items[0].part));
    keep_from(items[0].last);
    return out;
  }
  count = std::max<std::size_t>(count, 1);
  keep_from(items[count - 1].last);
  for (std::size_t i = 0; i < count; ++i) {
    Piece& piece = items[i].part;
    if (i + 1 < count)
      place_edge(piece, items[i + 1].part, rules);
    else if (!out.rest.empty())
      place_edge(piece, out.rest.front(), rules);
    if (piece.regime.shape == RegimeShape::ramp) draw_line(piece);
    // Now, not when it is asked for: the step may be learnt better meanwhile, and the bytes hang on nobody's asking.
    recompute_figure(out.final.emplace_back(std::move(piece.regime)), rules.step_w, rounding);
  }
  return out;
}

}  // namespace nightwatt
