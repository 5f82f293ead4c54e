#include "segment/piece_row.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace nightwatt {

namespace {
constexpr std::int64_t fewest_edged =
    3;  // seconds: a piece of a fast stream needs more to do without its first and last
}  // namespace

/// The change lies somewhere between two readings: the middle is as good as any, and off by half the way at most.
void PieceRow::open(const StreamPoint& p, double link_s, const PieceRules& rules) {
  piece_ = {};
  open_ = true;
  recent_.clear();
  excursions_ = {};
  Regime& s = piece_.regime;
  s.begin = p.first;
  s.lowest_w = p.low;
  s.highest_w = p.high;
  s.shape = RegimeShape::steady;
  if (!previous_ || pieces_.empty()) return;
  s.begin = previous_->last + Duration((p.first - previous_->last).count() / 2);
  // Of a fast stream either second beside the change may hold it.
  const double width_s = rules.binned ? to_seconds(p.last - previous_->first).value : link_s;
  s.begin_uncertainty_s = 2.0 * width_s / std::sqrt(12.0);
  const double half_s = to_seconds(s.begin - previous_->last).value;
  // The trapezoid's energy, to each side what it had: a slow meter's edge is half an interval of the other level.
  pieces_.back().regime.energy_ws += half_s * previous_->last_w;
  pieces_.back().regime.covered_s += half_s;
  s.energy_ws += (link_s - half_s) * p.first_w;
  s.covered_s += link_s - half_s;
}

void PieceRow::take(const std::deque<StreamPoint>& coming, std::size_t alike, const PieceRules& rules) {
  const StreamPoint& p = coming.front();
  Regime& s = piece_.regime;
  double link_s = previous_ ? to_seconds(p.first - previous_->last).value : 0.0;
  double link_ws = previous_ ? link_s * (p.first_w + previous_->last_w) / 2.0 : 0.0;
  if (!open_) {
    open(p, link_s, rules);
    link_s = link_ws = 0.0;
  }
  s.end = p.last;
  s.samples += p.n;
  const double inner_s = to_seconds(p.last - p.first).value;
  s.energy_ws += link_ws;
  s.covered_s += link_s;
  s.energy_ws += p.integral_ws;
  s.covered_s += inner_s;
  const double level_w = previous_ ? previous_->mean : p.mean;
  const Excursions::Place place = excursions_.place(coming, alike, level_w, recent_, rules.step_w);
  previous_ = p;
  if (place == Excursions::Place::leaves) ++s.excursions;
  if (place == Excursions::Place::leaves || place == Excursions::Place::away) {
    // In the energy, and in no level.
    s.lowest_w = std::min(s.lowest_w, p.low);
    s.highest_w = std::max(s.highest_w, p.high);
    s.sketch.interrupt();
    return;
  }
  // The way back belongs to no level either.
  if (place == Excursions::Place::back) link_s = link_ws = 0.0;
  ++piece_.points;
  const EdgePoint point{p.first, p.last, p.n, p.mean};
  if (piece_.points <= line_point_limit) piece_.line.add(seconds_of(point.middle()), p.mean, static_cast<double>(p.n));
  remember(point);
  const double covered_s = link_s + inner_s, energy_ws = link_ws + p.integral_ws;
  if (!rules.binned) {
    measure(p, covered_s, energy_ws, rules);
    return;
  }
  // The first and last second of a piece may hold readings of its neighbours: they count in energy, not in levels.
  // Of a piece of three seconds or less they count all the same, so these wait until there are more.
  if (piece_.points > fewest_edged) {
    for (std::size_t i = 1; i < held_.size(); ++i)
      measure(held_[i].point, held_[i].covered_s, held_[i].energy_ws, rules);
    held_.resize(1);
  }
  held_.push_back({p, covered_s, energy_ws});
}

/// Of a piece its first and last readings are kept one by one: where it bends or jumps is looked for in them.
void PieceRow::remember(const EdgePoint& p) {
  std::vector<EdgePoint>& first = piece_.first_points;
  if (first.size() < edge_point_limit && first.size() + 1 == static_cast<std::size_t>(piece_.points) &&
      to_seconds(p.first - piece_.regime.begin).value < edge_reach_s)
    first.push_back(p);
  if (recent_.size() >= 2 * edge_point_limit)
    recent_.erase(recent_.begin(), recent_.end() - static_cast<std::ptrdiff_t>(edge_point_limit));
  recent_.push_back(p);
}

void PieceRow::measure(const StreamPoint& p, double covered_s, double energy_ws, const PieceRules& rules) {
  Regime& s = piece_.regime;
  SketchEntry entry{p.first, p.n, p.mean, p.m2, covered_s, energy_ws, p.values, {}, 0.0, 0, p.repeats};
  if (p.moved) {
    entry.tick = p.moved->tick;
    entry.tick_width_s = p.moved->width_s;
    entry.tick_step_uwh = p.moved->step_uwh;
  }
  s.sketch.add(entry);
  if (s.sketch.n() == p.n) {
    s.lowest_w = p.low;
    s.highest_w = p.high;
  }
  s.lowest_w = std::min(s.lowest_w, p.low);
  s.highest_w = std::max(s.highest_w, p.high);
  // A slow meter's first reading may come later than that.
  if (piece_.head.n == 0 || to_seconds(p.first - s.begin).value < rules.edge_window_s()) piece_.head.add({p.n, p.mean});
}

/// The piece's last level and readings.
void PieceRow::close_tail(const PieceRules& rules) {
  const auto size = static_cast<std::ptrdiff_t>(recent_.size());
  const bool edged = rules.binned && piece_.points > fewest_edged;  // the first and last second count in no level
  const std::ptrdiff_t first = edged && piece_.points == size ? 1 : 0;
  const std::ptrdiff_t last = edged ? size - 2 : size - 1;
  const auto at = [&](std::ptrdiff_t i) -> const EdgePoint& { return recent_[static_cast<std::size_t>(i)]; };
  std::ptrdiff_t from = last;
  while (from > first && last - from + 1 < static_cast<std::ptrdiff_t>(edge_point_limit) &&
         to_seconds(at(last).first - at(from - 1).first).value < rules.edge_window_s())
    --from;
  piece_.tail = {};
  for (std::ptrdiff_t i = from; i <= last; ++i) piece_.tail.add({at(i).n, at(i).mean});
  std::ptrdiff_t kept = size;
  while (kept > 0 && size - kept < static_cast<std::ptrdiff_t>(edge_point_limit) &&
         to_seconds(at(size - 1).first - at(kept - 1).first).value < edge_reach_s)
    --kept;
  piece_.last_points.assign(recent_.begin() + kept, recent_.end());
}

void PieceRow::close(const PieceRules& rules) {
  if (!open_) return;
  open_ = false;
  if (piece_.points <= fewest_edged)
    for (const MeasuredPoint& m : held_) measure(m.point, m.covered_s, m.energy_ws, rules);
  held_.clear();
  piece_.noise_n = std::max<std::int64_t>(piece_.regime.sketch.n() - 1, 0);
  piece_.noise_m2 = piece_.regime.sketch.m2();
  close_tail(rules);
  if (!pieces_.empty()) {
    pieces_.back().regime.end = piece_.regime.begin;
    pieces_.back().regime.end_uncertainty_s = piece_.regime.begin_uncertainty_s;
  }
  pieces_.push_back(std::exchange(piece_, {}));
}

}  // namespace nightwatt
