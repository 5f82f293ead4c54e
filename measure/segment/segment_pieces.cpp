#include "segment/segment_pieces.hpp"

#include <algorithm>
#include <utility>

namespace nightwatt {

double length_s(const Piece& p) {
  return to_seconds(p.regime.end - p.regime.begin).value;
}

double variance(const Piece& p) {
  return p.noise_n > 0 ? p.noise_m2 / static_cast<double>(p.noise_n) : 0.0;
}

namespace {

/// The first of what the first one has and, where it ends, of what follows; the last in the same way.
void join_points(Piece& a, const Piece& b) {
  std::vector<EdgePoint>& first = a.first_points;
  const std::vector<EdgePoint>& more = b.first_points;
  const bool whole = static_cast<std::int64_t>(first.size()) == a.points;
  for (std::size_t i = 0; whole && i < more.size() && first.size() < edge_point_limit; ++i)
    if (to_seconds(more[i].first - a.regime.begin).value < edge_reach_s) first.push_back(more[i]);
  std::vector<EdgePoint> last = b.last_points;
  if (static_cast<std::int64_t>(last.size()) == b.points)
    last.insert(last.begin(), a.last_points.begin(), a.last_points.end());
  std::size_t from = last.size() > edge_point_limit ? last.size() - edge_point_limit : 0;
  while (from < last.size() && to_seconds(b.regime.end - last[from].first).value > edge_reach_s) ++from;
  last.erase(last.begin(), last.begin() + static_cast<std::ptrdiff_t>(from));
  a.last_points = std::move(last);
}

}  // namespace

void join(Piece& a, const Piece& b, const PieceRules& rules, bool kept) {
  const bool a_short = length_s(a) < rules.edge_window_s();
  const bool b_short = length_s(b) < rules.edge_window_s();
  Regime& s = a.regime;
  if (kept) {
    s.cycles.reset();
    if (a_short) a.head.add(b.head);
    if (b_short) {
      EdgeLevel tail = a.tail;
      tail.add(b.tail);
      a.tail = tail;
    } else {
      a.tail = b.tail;
    }
    s.sketch.append(b.regime.sketch);
    join_points(a, b);
    a.line.add(b.line);
    a.noise_n += b.noise_n;
    a.noise_m2 += b.noise_m2;
  } else {
    s.sketch.interrupt();
  }
  s.end = b.regime.end;
  s.end_uncertainty_s = b.regime.end_uncertainty_s;
  s.samples += b.regime.samples;
  a.points += b.points;
  s.energy_ws += b.regime.energy_ws;
  s.covered_s += b.regime.covered_s;
  s.lowest_w = std::min(s.lowest_w, b.regime.lowest_w);
  s.highest_w = std::max(s.highest_w, b.regime.highest_w);
  s.excursions += b.regime.excursions;
}

void precede(Piece& next, const Piece& way) {
  Regime& s = next.regime;
  std::vector<EdgePoint> points = way.first_points;
  points.insert(points.end(), next.first_points.begin(), next.first_points.end());
  if (points.size() > edge_point_limit) points.resize(edge_point_limit);
  next.first_points = std::move(points);
  next.points += way.points;
  s.begin = way.regime.begin;
  s.begin_uncertainty_s = way.regime.begin_uncertainty_s;
  s.samples += way.regime.samples;
  s.energy_ws += way.regime.energy_ws;
  s.covered_s += way.regime.covered_s;
  s.lowest_w = std::min(s.lowest_w, way.regime.lowest_w);
  s.highest_w = std::max(s.highest_w, way.regime.highest_w);
  s.excursions += way.regime.excursions;
}

}  // namespace nightwatt
