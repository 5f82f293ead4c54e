#include "segment/explanation.hpp"

#include <algorithm>
#include <cmath>

#include "segment/model_choice.hpp"

namespace nightwatt {

namespace {

/// Pieces in a row, and what each says of a model.
struct Row {
  std::span<const Piece> pieces;
  Evidences at;
  const PieceRules& rules;
};

std::vector<bool> departures(const Row& row, const ChosenModel& c) {
  if (c.model == Model::level) return level_departures(row.at, c.first, c.last, row.rules);
  if (c.model == Model::curve || c.model == Model::decay) return curve_departures(row.at, c.first, c.last);
  return std::vector<bool>(c.last - c.first, false);
}

/// The mean of whole cycles; the first and last phase may be cut short.
Cycles whole_cycles(const Row& row, std::span<const std::size_t> phases) {
  std::vector<double> means, lengths;
  double energy_ws = 0.0, covered_s = 0.0;
  for (std::size_t p = 1; p + 2 < phases.size(); p += 2) {
    double cycle_ws = 0.0, cycle_s = 0.0;
    for (std::size_t k = phases[p]; k < phases[p + 2]; ++k) {
      cycle_ws += row.pieces[k].regime.energy_ws;
      cycle_s += row.pieces[k].regime.covered_s;
    }
    energy_ws += cycle_ws;
    covered_s += cycle_s;
    means.push_back(cycle_ws / cycle_s);
    lengths.push_back(cycle_s);
  }
  Cycles cycles;
  cycles.n = static_cast<std::int64_t>(means.size());
  cycles.mean_w = energy_ws / covered_s;
  double squares = 0.0;
  for (std::size_t k = 0; k < means.size(); ++k) {
    const double off = lengths[k] / covered_s * (means[k] - cycles.mean_w);
    squares += off * off;
  }
  const auto n = static_cast<double>(means.size());
  cycles.uncertainty_w = std::sqrt(squares * n / (n - 1.0));
  return cycles;
}

/// `way_from`: where the way to the segment begins.
void give_shape(Explained& e, const Row& row, const ChosenModel& c, std::size_t way_from, const Explained* before) {
  Regime& s = e.part.regime;
  s.shape = RegimeShape::steady;
  if (c.model == Model::turns) {
    const Turns turns = turns_of(row.at, c.first, c.last);
    s.duty = turns.upper_share;
    s.cycles = whole_cycles(row, turns.phases);
  }
  s.line_begin_w = e.part.head.mean;
  s.line_end_w = e.part.tail.mean;
  if (c.model == Model::decay) {
    s.shape = RegimeShape::decay;
    // Where readings are on their way from what was before, it began earlier.
    s.line_begin_w = c.curve.at(row.at[way_from].begin_s - row.at[c.first].begin_s);
  }
  if (c.model != Model::ramp && c.model != Model::irregular) return;
  s.shape = c.model == Model::ramp ? RegimeShape::ramp : RegimeShape::unsteady;
  s.line_begin_w = before != nullptr ? before->part.tail.mean : e.part.head.mean;
  s.line_end_w = c.last == row.pieces.size() ? e.part.tail.mean : row.pieces[c.last].head.mean;
}

/// Puts the pieces [from, e.first) before a segment, their readings in no level.
void take_way_in(Explained& e, const Row& row, std::size_t from) {
  if (from == e.first) return;
  Piece way = row.pieces[from];
  for (std::size_t k = from + 1; k < e.first; ++k) join(way, row.pieces[k], row.rules, true);
  precede(e.part, way);
  e.first = from;
}

/// At the record's end a way leads to nothing: it is a departure from what was before.
void take_way_out(std::vector<Explained>& segments, const Row& row, std::size_t first) {
  if (segments.empty()) {
    segments.push_back({row.pieces[first], first, first + 1});
    segments.back().part.regime.shape = RegimeShape::unsteady;
  }
  Explained& last = segments.back();
  for (std::size_t k = last.last; k < row.pieces.size(); ++k) join(last.part, row.pieces[k], row.rules, false);
  last.last = row.pieces.size();
}

Explained segment_of(const Row& row, const ChosenModel& c, std::size_t way_from, const Explained* before) {
  Explained e{row.pieces[c.first], c.first, c.last};
  const std::vector<bool> away = departures(row, c);
  for (std::size_t k = c.first + 1; k < c.last; ++k) {
    join(e.part, row.pieces[k], row.rules, !away[k - c.first]);
    if (away[k - c.first] && !away[k - c.first - 1]) ++e.part.regime.excursions;
  }
  give_shape(e, row, c, way_from, before);
  take_way_in(e, row, way_from);
  return e;
}

std::vector<Explained> segments_of(const Row& row, std::span<const ChosenModel> chosen) {
  std::vector<Explained> segments;
  for (const ChosenModel& c : chosen) {
    // A reading or two on the way belong to the segment they lead to.
    const std::size_t way_from = segments.empty() ? 0 : segments.back().last;
    if (c.model != Model::jump)
      segments.push_back(segment_of(row, c, way_from, segments.empty() ? nullptr : &segments.back()));
    else if (c.last == row.pieces.size())
      take_way_out(segments, row, c.first);
  }
  return segments;
}

/// Segments that every best explanation of the pieces up to one of the last ones shares.
std::size_t decided(std::span<const Explained> segments, const ModelChoice& choice, std::size_t lookahead) {
  const std::size_t pieces = segments.back().last;
  if (pieces <= lookahead) return 0;
  std::vector<std::size_t> shared;
  for (const Explained& s : segments) shared.push_back(s.last);
  for (std::size_t end = pieces - lookahead; end < pieces; ++end) {
    std::vector<std::size_t> ends;
    for (const ChosenModel& c : choice.up_to(end)) ends.push_back(c.last);
    std::erase_if(shared, [&](std::size_t s) { return !std::binary_search(ends.begin(), ends.end(), s); });
  }
  std::size_t count = 0;
  for (std::size_t s = 0; s + 1 < segments.size(); ++s) {
    const RegimeShape next = segments[s + 1].part.regime.shape;
    const bool led_to = next == RegimeShape::ramp || next == RegimeShape::unsteady;
    if (!led_to && std::binary_search(shared.begin(), shared.end(), segments[s].last)) count = s + 1;
  }
  return count;
}

}  // namespace

SegmentExplanation explain(std::span<const Piece> pieces, const PieceRules& rules, std::size_t lookahead) {
  if (pieces.empty()) return {};
  const std::vector<Evidence> at = evidence_of(pieces, rules);
  const ModelChoice choice(at, rules);
  SegmentExplanation out;
  out.segments = segments_of({pieces, at, rules}, choice.up_to(pieces.size()));
  out.decided = decided(out.segments, choice, lookahead);
  return out;
}

}  // namespace nightwatt
