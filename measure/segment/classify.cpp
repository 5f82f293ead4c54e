#include <algorithm>
#include <cmath>

#include "measure/segment/segmenter.hpp"
#include "measure/segment/states.hpp"
#include "segment/kinds.hpp"
#include "uncertainty/level.hpp"

namespace nightwatt {

namespace {

/// Made when the stretch became final; anew where the display's step is known better since.
std::optional<LevelFigure> figure_of(const Regime& s, const ClassifyInput& input) {
  if (s.has_figure_for(input.learnt.step_w)) return s.figure;
  return level_figure(s, input.learnt.step_w, input.settings.traits.rounding);
}

Segment figures(const Regime& s, const ClassifyInput& input) {
  Segment g;
  g.begin = s.begin;
  g.end = s.end;
  g.begin_uncertainty_s = s.begin_uncertainty_s;
  g.end_uncertainty_s = s.end_uncertainty_s;
  g.samples = s.samples;
  if (s.shape == RegimeShape::gap) {
    g.kind = SegmentKind::gap;
    return g;
  }
  g.lowest_w = s.lowest_w;
  g.highest_w = s.highest_w;
  g.excursions = s.excursions;
  g.duty = s.duty;
  if (s.covered_s > 0.0) {
    g.energy_wh = s.energy_ws / 3600.0;
    g.mean_w = s.energy_ws / s.covered_s;
  } else if (s.samples > 0) {
    g.mean_w = s.digest().mean_w;
  }
  g.kind = s.shape == RegimeShape::ramp ? SegmentKind::ramp : SegmentKind::unsteady;
  if (s.shape == RegimeShape::ramp && s.end > s.begin)
    g.drift_w_per_h = (s.line_end_w - s.line_begin_w) / length_s(g) * 3600.0;
  if (s.shape != RegimeShape::steady && s.shape != RegimeShape::decay) return g;
  if (const std::optional<LevelFigure> figure = figure_of(s, input)) {
    g.kind = SegmentKind::plateau;
    g.level_w = figure->level_w;
    g.shown_w = figure->shown_w;
    const std::optional<Accuracy>& accuracy = input.settings.traits.accuracy;
    const double permissible_error_w = accuracy ? accuracy->half_width(figure->level_w) / std::sqrt(3.0) : 0.0;
    g.parts =
        LevelParts{figure->random_w, figure->random_degrees_of_freedom, figure->systematic_w, permissible_error_w};
    g.uncertainty_w = g.parts->expanded_w();
    g.drift_w_per_h = figure->drift_w_per_h;
    if (const std::optional<Settling>& settling = figure->settling) {
      g.settling_unfinished = !settling->ended;
      if (settling->ended) {
        g.settled_w = settling->limit_w;
        g.settling_s = settling->time_s;
      }
    }
  }
  return g;
}

/// `b` follows `a`.
void join_all_but_level(Segment& a, const Segment& b) {
  const double a_s = length_s(a), b_s = length_s(b);
  if (a.mean_w && b.mean_w && a_s + b_s > 0.0) a.mean_w = (*a.mean_w * a_s + *b.mean_w * b_s) / (a_s + b_s);
  if (a.energy_wh && b.energy_wh) *a.energy_wh += *b.energy_wh;
  if (a.lowest_w && b.lowest_w) a.lowest_w = std::min(*a.lowest_w, *b.lowest_w);
  if (a.highest_w && b.highest_w) a.highest_w = std::max(*a.highest_w, *b.highest_w);
  a.end = b.end;
  a.end_uncertainty_s = b.end_uncertainty_s;
  a.samples += b.samples;
  a.excursions += b.excursions;
  a.open = a.open || b.open;
}

/// Turns of the same two levels that had to be settled piece by piece: one segment, its level that of all.
bool go_on_turning(const Segment& a, const Segment& b) {
  if (!a.duty || !b.duty || !a.parts || !b.parts || a.end != b.begin || a.kind != b.kind) return false;
  const double reach_w = state_reach_w(std::min(*a.level_w, *b.level_w), 0.0);
  return std::abs(*a.level_w - *b.level_w) <= reach_w + *a.uncertainty_w + *b.uncertainty_w;
}

void join_turns(Segment& a, const Segment& b) {
  const double a_s = length_s(a), b_s = length_s(b);
  const double share = a_s / (a_s + b_s), rest = 1.0 - share;
  a.level_w = share * *a.level_w + rest * *b.level_w;
  if (a.shown_w && b.shown_w) a.shown_w = share * *a.shown_w + rest * *b.shown_w;
  a.duty = share * *a.duty + rest * *b.duty;
  LevelParts& parts = *a.parts;
  parts.random_w = std::hypot(share * parts.random_w, rest * b.parts->random_w);
  parts.random_degrees_of_freedom += b.parts->random_degrees_of_freedom;
  parts.systematic_w = std::max(parts.systematic_w, b.parts->systematic_w);
  a.uncertainty_w = parts.expanded_w();
  a.drift_w_per_h.reset();
  join_all_but_level(a, b);
}

/// A battery charges in one segment, its constant part and its curve: it has no level.
void join_neighbours(std::vector<Segment>& segments) {
  std::vector<Segment> out;
  for (Segment& g : segments) {
    const bool charging = g.kind == SegmentKind::charging;
    if (charging) {
      g.level_w.reset(), g.uncertainty_w.reset(), g.parts.reset(), g.shown_w.reset();
      g.settled_w.reset(), g.settling_s.reset(), g.drift_w_per_h.reset();
      g.settling_unfinished = false;
    }
    if (!out.empty() && charging && out.back().kind == SegmentKind::charging && out.back().end == g.begin)
      join_all_but_level(out.back(), g);
    else if (!out.empty() && go_on_turning(out.back(), g))
      join_turns(out.back(), g);
    else
      out.push_back(std::move(g));
  }
  segments = std::move(out);
}

}  // namespace

Classified classify(std::span<const Regime> regimes, const ClassifyInput& input) {
  Classified result;
  for (std::size_t i = 0; i < regimes.size(); ++i) {
    result.segments.push_back(figures(regimes[i], input));
    result.segments.back().open = input.open && i >= input.final_count;
  }
  if (result.segments.empty()) {
    if (input.run_end > input.run_begin) {
      Segment hole;
      hole.kind = SegmentKind::gap;
      hole.begin = input.run_begin;
      hole.end = input.run_end;
      hole.open = input.open;
      result.segments.push_back(hole);
    }
    return result;
  }
  // A run may be opened before its first reading and closed after its last.
  result.segments.front().begin = std::min(result.segments.front().begin, input.run_begin);
  result.segments.back().end = std::max(result.segments.back().end, input.run_end);
  result.warnings = name_kinds(result.segments, regimes, input);
  join_neighbours(result.segments);
  return result;
}

}  // namespace nightwatt
