#include "segment_parts.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "level.hpp"
#include "ramps.hpp"
#include "settling.hpp"
#include "stretch_bytes.hpp"

namespace nightwatt {

double length_s(const Part& p) {
  return to_seconds(p.stretch.end - p.stretch.begin).value;
}

namespace {

// Of the level: what fans and background work do to it, common practice, no source. They reach 5 %, but then come and
// go within a minute or two.
constexpr double level_tolerance = 0.03;
constexpr double brief_level_tolerance = 0.05;
constexpr double brief_s = 60.0;
constexpr double lasting_s = 120.0;
constexpr double scatter_tolerance = 1.5;      // of the readings' own scatter: less is no step to the eye
constexpr double wander_factor = 2.0;          // of the tolerance, for a level that comes back by itself
constexpr double restless_share = 0.07;        // of the mean, k = 2: a figure less sure than that is none
constexpr double restless_floor_w = 0.05;      // and more than this: near 0 W every share is small
constexpr double settling_tolerance = 0.07;    // of the level: as wide as the contract takes idle to be
constexpr double pause_segments = 3.0;         // shortest segments: irregular work pauses no longer
constexpr double pause_share = 0.03;           // of the mean, k = 2: of a pause a figure less sure than that is none
constexpr std::size_t decay_steps = 4;         // fewer are levels run one after the other,
constexpr std::size_t fewest_decay_steps = 2;  // unless each piece falls by itself
constexpr std::size_t longest_decay = 64;      // pieces: each costs a fit of at most 48 bins
constexpr double decay_scatter = 0.07;         // of the way: three equal steps scatter twice as much about any curve
constexpr double decay_lean = 0.25;            // of the way past a piece of it: what the piece itself must show
constexpr double decay_counts = 5.0;           // display steps: past fewer a piece cannot show any
constexpr double leaving = 2.0;                // steps before it: a longer one is no step of the same curve
constexpr double decay_tau = 0.1;              // of its length: the least for a curve all along
constexpr double settling_tau = 0.025;         // and for one that comes to rest
constexpr double decay_way = 0.15;             // of the level it begins at: less is how levels settle
constexpr std::size_t least_phases = 10;       // five cycles: three loads run one after the other are no thermostat
constexpr double cycle_regularity = 0.25;      // how much two phases of one level may differ in length
constexpr double longest_phase_s = 3600.0;
constexpr std::int64_t jump_points = 2;  // a change that takes no longer is a jump, not a ramp
constexpr std::int64_t least_readings = 3;

bool is_long(const Part& p, const PartRules& rules) {
  return length_s(p) >= rules.shortest_s && p.stretch.samples >= least_readings;
}

/// One curve that falls or rises by itself, ever more slowly, from a level of `begin_w`.
bool is_settling(const std::optional<Decay>& decay, double begin_w, const PartRules& rules) {
  return decay && decay->way_w >= std::max(4.0 * rules.step_w, decay_way * std::abs(begin_w)) &&
         decay->scatter_w <= decay_scatter * decay->way_w;
}

/// Long, and yet so irregular that its mean says nothing of any level.
bool is_restless(const Part& p, const PartRules& rules) {
  if (p.stretch.shape != StretchShape::steady) return true;
  if (p.decays) return false;
  if (!is_long(p, rules)) return false;
  const double expanded = 2.0 * statistical_uncertainty(p.stretch.sketch.bins());
  if (expanded <= std::max(rules.step_w / 2.0, restless_floor_w) ||
      expanded <= restless_share * std::abs(p.stretch.sketch.mean()))
    return false;
  const std::optional<Decay> decay = decay_of(p.stretch, settling_tau);
  return !(is_settling(decay, p.head.mean, rules) && decay->is_bent());
}

}  // namespace

bool is_steady(const Part& p, const PartRules& rules) {
  return p.stretch.shape == StretchShape::steady && is_long(p, rules) && !is_restless(p, rules);
}

double variance(const Part& p) {
  return p.noise_n > 0 ? p.noise_m2 / static_cast<double>(p.noise_n) : 0.0;
}

namespace {

/// How far two facing levels may differ and still be one.
double tolerance(const Part& a, const Part& b, const PartRules& rules) {
  const double held_s = std::min(length_s(a), length_s(b));
  // The steps of a ramp are shorter than any level: they get no more than a lasting level does.
  const double brief =
      held_s < rules.shortest_s ? 0.0 : std::clamp((lasting_s - held_s) / (lasting_s - brief_s), 0.0, 1.0);
  const double share = level_tolerance + brief * (brief_level_tolerance - level_tolerance);
  const double level = std::min(std::abs(a.tail.mean), std::abs(b.head.mean));
  const double n = 1.0 / static_cast<double>(std::max<std::int64_t>(a.tail.n, 1)) +
                   1.0 / static_cast<double>(std::max<std::int64_t>(b.head.n, 1));
  const double noise = std::min(variance(a), variance(b));
  // The geometric mean: a quiet level beside a restless one is not part of it.
  const double scatter = std::pow(variance(a) * variance(b), 0.25);
  return std::max({rules.step_w / 2.0, share * level, 4.0 * std::sqrt(noise * n), scatter_tolerance * scatter});
}

/// The step from one to the next in units of what is tolerated.
double facing_step(const Part& a, const Part& b, const PartRules& rules) {
  const double allowed = tolerance(a, b, rules);
  // Where they meet, or as wholes: a slow curve meets without a step, a toggling display may not though its means
  // agree.
  const double step =
      std::min(std::abs(a.tail.mean - b.head.mean), std::abs(a.stretch.sketch.mean() - b.stretch.sketch.mean()));
  if (!(allowed > 0.0)) return step > 0.0 ? 2.0 : 0.0;
  // A step that is undone without a step: the level wanders, it did not change.
  const bool lasting = std::min(length_s(a), length_s(b)) >= brief_s;
  const bool returns = std::min(std::abs(b.tail.mean - a.stretch.sketch.mean()),
                                std::abs(a.head.mean - b.stretch.sketch.mean())) <= allowed / 2.0;
  return step / allowed / (lasting && returns ? wander_factor : 1.0);
}

}  // namespace

namespace {

/// The first of what the first one has and, where it ends, of what follows; the last in the same way.
void join_points(Part& a, const Part& b) {
  std::vector<EdgePoint>& first = a.first_points;
  const std::vector<EdgePoint>& more = b.first_points;
  const bool whole = static_cast<std::int64_t>(first.size()) == a.points;
  for (std::size_t i = 0; whole && i < more.size() && first.size() < edge_point_limit; ++i)
    if (to_seconds(more[i].first - a.stretch.begin).value < edge_reach_s) first.push_back(more[i]);
  std::vector<EdgePoint> last = b.last_points;
  if (static_cast<std::int64_t>(last.size()) == b.points)
    last.insert(last.begin(), a.last_points.begin(), a.last_points.end());
  std::size_t from = last.size() > edge_point_limit ? last.size() - edge_point_limit : 0;
  while (from < last.size() && to_seconds(b.stretch.end - last[from].first).value > edge_reach_s) ++from;
  last.erase(last.begin(), last.begin() + static_cast<std::ptrdiff_t>(from));
  a.last_points = std::move(last);
}

}  // namespace

void join(Part& a, const Part& b, const PartRules& rules, bool kept) {
  const bool a_short = length_s(a) < rules.edge_window_s();
  const bool b_short = length_s(b) < rules.edge_window_s();
  Stretch& s = a.stretch;
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
    s.sketch.append(b.stretch.sketch);
    join_points(a, b);
    a.line.add(b.line);
    a.noise_n += b.noise_n;
    a.noise_m2 += b.noise_m2;
  } else {
    s.sketch.interrupt();
  }
  s.end = b.stretch.end;
  s.end_uncertainty_s = b.stretch.end_uncertainty_s;
  s.samples += b.stretch.samples;
  a.points += b.points;
  s.energy_ws += b.stretch.energy_ws;
  s.covered_s += b.stretch.covered_s;
  s.lowest_w = std::min(s.lowest_w, b.stretch.lowest_w);
  s.highest_w = std::max(s.highest_w, b.stretch.highest_w);
  s.excursions += b.stretch.excursions;
}

namespace {

class Arranger {
 public:
  Arranger(const std::vector<Part>& parts, const PartRules& rules) : rules_(rules) {
    for (std::size_t i = 0; i < parts.size(); ++i) items_.push_back({parts[i], i, i + 1});
  }
  std::vector<Arranged> run() {
    fuse_ramps();
    merge_levels();
    while (swallow_excursion()) merge_levels();
    while (take_in_settling()) merge_levels();
    for (std::size_t i = 0; i < items_.size(); ++i) gather_decay(i);
    name_the_rest();
    while (take_in_restless()) {
    }
    for (std::size_t i = 0; i < items_.size(); ++i) gather_cycles(i);
    return std::move(items_);
  }

 private:
  /// Ramps first: their pieces are steady to the eye of a merge, and would join the levels at both ends.
  void fuse_ramps() {
    std::vector<Part> parts;
    for (const Arranged& item : items_) parts.push_back(item.part);
    const auto ramps = find_ramps(parts, rules_);
    for (auto ramp = ramps.rbegin(); ramp != ramps.rend(); ++ramp) {
      for (std::size_t k = ramp->first + 1; k < ramp->second; ++k) fuse(ramp->first, true);
      items_[ramp->first].part.stretch.shape = StretchShape::ramp;
    }
  }

  void fuse(std::size_t i, bool kept) {  // i + 1 into i
    join(items_[i].part, items_[i + 1].part, rules_, kept);
    items_[i].last = items_[i + 1].last;
    items_.erase(items_.begin() + static_cast<std::ptrdiff_t>(i) + 1);
  }

  void merge_levels() {
    for (;;) {
      std::size_t best = items_.size();
      double least = 1.0;
      for (std::size_t i = 0; i + 1 < items_.size(); ++i) {
        if (is_restless(items_[i].part, rules_) || is_restless(items_[i + 1].part, rules_)) continue;
        const double ratio = facing_step(items_[i].part, items_[i + 1].part, rules_);
        if (ratio < least) {
          least = ratio;
          best = i;
        }
      }
      if (best == items_.size()) return;
      fuse(best, true);
    }
  }

  /// A departure shorter than the shortest segment between two equal levels is counted, not split on.
  bool swallow_excursion() {
    for (std::size_t i = 0; i < items_.size(); ++i) {
      if (!is_steady(items_[i].part, rules_)) continue;
      for (std::size_t j = i + 2; j < items_.size(); ++j) {
        const double away_s = to_seconds(items_[j].part.stretch.begin - items_[i].part.stretch.end).value;
        if (away_s >= rules_.shortest_s) break;
        if (items_[j].part.stretch.shape != StretchShape::steady) break;
        if (facing_step(items_[i].part, items_[j].part, rules_) >= 1.0) continue;
        for (std::size_t k = i + 1; k < j; ++k) fuse(i, false);
        ++items_[i].part.stretch.excursions;
        fuse(i, true);
        return true;
      }
    }
    return false;
  }

  /// A short piece beside a steady level and near it is how that level begins or ends, not something of its own.
  bool take_in_settling() {
    for (std::size_t i = 0; i < items_.size(); ++i) {
      if (!is_steady(items_[i].part, rules_)) continue;
      if (i > 0 && settles(items_[i - 1].part, items_[i].part.head)) {
        fuse(i - 1, true);
        return true;
      }
      if (i + 2 == items_.size() && settles(items_[i + 1].part, items_[i].part.tail)) {
        fuse(i, false);
        return true;
      }
    }
    return false;
  }
  [[nodiscard]] bool settles(const Part& part, const EdgeLevel& beside) const {
    if (part.stretch.shape != StretchShape::steady || is_steady(part, rules_)) return false;
    return std::abs(part.stretch.sketch.mean() - beside.mean) <=
           std::max(rules_.step_w, settling_tolerance * std::abs(beside.mean));
  }

  /// What is left between steady levels: a jump, a ramp, or unsteady.
  void name_the_rest() {
    for (std::size_t i = 0; i < items_.size(); ++i) {
      if (is_steady(items_[i].part, rules_)) continue;
      std::size_t j = i;
      std::int64_t points = 0;
      while (j < items_.size() && !is_steady(items_[j].part, rules_)) points += items_[j++].part.points;
      const bool between = i > 0 && j < items_.size();
      const bool straight = between && monotone(i - 1, j);
      while (j > i + 1) {
        fuse(i, true);
        --j;
      }
      if (points <= jump_points && j < items_.size()) {
        take_into_next(i);
        --i;
      } else if (points <= jump_points && i > 0) {
        fuse(i - 1, false);
        --i;
      } else {
        Stretch& s = items_[i].part.stretch;
        s.shape = straight ? StretchShape::ramp : StretchShape::unsteady;
        s.line_begin_w = i > 0 ? items_[i - 1].part.tail.mean : items_[i].part.head.mean;
        s.line_end_w = i + 1 < items_.size() ? items_[i + 1].part.head.mean : items_[i].part.tail.mean;
      }
    }
  }

  /// Steps that fall by themselves, ever less, are one curve that settles: a battery charging, something warming up.
  void gather_decay(std::size_t i) {
    const auto usable = [&](std::size_t k) {
      return items_[k].part.stretch.shape == StretchShape::steady && !items_[k].part.stretch.duty;
    };
    if (!usable(i) || length_s(items_[i].part) < rules_.edge_window_s()) return;
    Part all = items_[i].part;
    double last = mean(i);
    double way = 0.0;
    std::size_t best = i;
    std::size_t steps = 0;
    for (std::size_t j = i + 1; j < items_.size() && j - i <= longest_decay && usable(j); ++j) {
      join(all, items_[j].part, rules_, true);
      if (length_s(items_[j].part) < rules_.edge_window_s()) continue;  // a blip on the way
      const double step = mean(j) - last;
      if (way == 0.0) way = step;
      const double back = std::max(rules_.step_w, level_tolerance * std::abs(last));
      if (step * way < 0.0 && std::abs(step) > back) break;
      const bool ends = j + 1 < items_.size() && leaves(j);
      if (j + 1 < items_.size() && !ends && stands(j)) break;
      if (step * way > 0.0) last = mean(j);
      ++steps;
      const bool falls = steps >= decay_steps || (steps >= fewest_decay_steps && all_lean(i, j));
      if (falls && is_settling(decay_of(all.stretch, decay_tau), mean(i), rules_)) best = j;
      if (ends) break;
    }
    for (std::size_t j = i; j < best; ++j) fuse(i, true);
    if (best > i) items_[i].part.decays = true;
  }

  /// Whether each of the pieces [from, to] goes itself a part of the way to its neighbour.
  [[nodiscard]] bool all_lean(std::size_t from, std::size_t to) const {
    for (std::size_t k = from; k <= to; ++k) {
      const Part& p = items_[k].part;
      const double way = k < to ? mean(k + 1) - mean(k) : mean(k) - mean(k - 1);
      if (length_s(p) < brief_s || p.line.slope() * length_s(p) * (way > 0.0 ? 1.0 : -1.0) < decay_lean * std::abs(way))
        return false;
    }
    return true;
  }

  /// The next piece is further away than this is from the one before: a curve that settles does not do that.
  [[nodiscard]] bool leaves(std::size_t i) const {
    return std::abs(items_[i + 1].part.head.mean - items_[i].part.tail.mean) >
           leaving * std::max(rules_.step_w, std::abs(mean(i) - mean(i - 1)));
  }

  /// Held for long at one level between two others: a step of its own, not a piece of a curve.
  [[nodiscard]] bool stands(std::size_t i) const {
    const Part& p = items_[i].part;
    const double way = items_[i + 1].part.head.mean - items_[i - 1].part.tail.mean;
    if (length_s(p) < brief_s || std::abs(way) <= decay_counts * rules_.step_w) return false;
    return p.line.slope() * length_s(p) * (way > 0.0 ? 1.0 : -1.0) < decay_lean * std::abs(way);
  }

  /// A brief and noisy level beside irregular work is a pause in it.
  bool take_in_restless() {
    const auto restless = [&](std::size_t k) { return items_[k].part.stretch.shape == StretchShape::unsteady; };
    for (std::size_t i = 0; i < items_.size(); ++i) {
      const Part& p = items_[i].part;
      if (p.stretch.shape != StretchShape::steady || p.decays || length_s(p) >= pause_segments * rules_.shortest_s)
        continue;
      const double expanded = 2.0 * statistical_uncertainty(p.stretch.sketch.bins());
      const bool noisy = p.stretch.excursions > 0 || (expanded > std::max(rules_.step_w / 2.0, restless_floor_w) &&
                                                      expanded > pause_share * std::abs(p.stretch.sketch.mean()));
      if (!noisy) continue;
      if (i > 0 && restless(i - 1)) {
        fuse(i - 1, true);
        if (i < items_.size() && restless(i)) fuse(i - 1, true);
        return true;
      }
      if (i + 1 < items_.size() && restless(i + 1)) {
        fuse(i, true);
        items_[i].part.stretch.shape = StretchShape::unsteady;
        return true;
      }
    }
    return false;
  }

  /// Two levels that take turns as regularly as a thermostat are one segment with its duty, not a hundred.
  void gather_cycles(std::size_t i) {
    const std::vector<std::size_t> phases = phases_from(i);
    if (phases.size() < least_phases) return;
    double upper_s = 0.0, all_s = 0.0;
    for (std::size_t k = 0; k < phases.size(); ++k) {
      const double other = mean(k > 0 ? phases[k - 1] : phases[k + 1]);
      const double held_s = length_s(items_[phases[k]].part);
      all_s += held_s;
      if (mean(phases[k]) > other) upper_s += held_s;
    }
    const Cycles cycles = whole_cycles(phases);
    for (std::size_t k = i; k < phases.back(); ++k) fuse(i, true);
    items_[i].part.stretch.duty = upper_s / all_s;
    items_[i].part.stretch.cycles = cycles;
  }

  /// Steady items that take turns; on the way from one to the next there may be something brief.
  [[nodiscard]] std::vector<std::size_t> phases_from(std::size_t i) const {
    const auto same = [&](std::size_t a, std::size_t b) {
      return std::abs(mean(b) - mean(a)) <= std::max(rules_.step_w, brief_level_tolerance * std::abs(mean(a)));
    };
    const auto regular = [&](std::size_t a, std::size_t b) {
      const double x = length_s(items_[a].part), y = length_s(items_[b].part);
      return std::abs(x - y) <= cycle_regularity * std::max(x, y);
    };
    const auto is_phase = [&](std::size_t k) {
      return k < items_.size() && is_steady(items_[k].part, rules_) && length_s(items_[k].part) <= longest_phase_s;
    };
    std::vector<std::size_t> phases;
    for (std::size_t j = i; is_phase(j);) {
      // The first and last phase may be cut short by the record.
      const std::size_t n = phases.size();
      if (n >= 2 && !same(phases[n - 2], j)) break;
      if (n >= 4 && !regular(phases[n - 3], phases[n - 1])) break;
      phases.push_back(j++);
      if (j < items_.size() && !is_phase(j) && length_s(items_[j].part) < rules_.shortest_s) ++j;
    }
    // Cut short, not held for longer: then the device has come to rest.
    const std::size_t n = phases.size();
    if (n >= 3 &&
        length_s(items_[phases[n - 1]].part) * (1.0 - cycle_regularity) > length_s(items_[phases[n - 3]].part))
      phases.pop_back();
    return phases;
  }

  /// The first and last phase may be cut short: they are in none.
  [[nodiscard]] Cycles whole_cycles(const std::vector<std::size_t>& phases) const {
    std::vector<double> means, lengths;
    double energy_ws = 0.0, covered_s = 0.0;
    for (std::size_t p = 1; p + 2 < phases.size(); p += 2) {
      double cycle_ws = 0.0, cycle_s = 0.0;
      for (std::size_t k = phases[p]; k < phases[p + 2]; ++k) {
        cycle_ws += items_[k].part.stretch.energy_ws;
        cycle_s += items_[k].part.stretch.covered_s;
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

  [[nodiscard]] double mean(std::size_t i) const { return items_[i].part.stretch.sketch.mean(); }

  [[nodiscard]] bool monotone(std::size_t from, std::size_t to) const {
    const double way = items_[to].part.head.mean - items_[from].part.tail.mean;
    double last = items_[from].part.tail.mean;
    for (std::size_t k = from + 1; k < to; ++k) {
      if (items_[k].part.stretch.shape == StretchShape::unsteady) return false;
      const double mean = items_[k].part.stretch.sketch.mean();
      if ((mean - last) * way < 0.0) return false;
      last = mean;
    }
    return (items_[to].part.head.mean - last) * way >= 0.0;
  }

  void take_into_next(std::size_t i) {
    Part way = items_[i].part;
    Part& next = items_[i + 1].part;
    Stretch& s = next.stretch;
    std::vector<EdgePoint> points = way.first_points;
    points.insert(points.end(), next.first_points.begin(), next.first_points.end());
    if (points.size() > edge_point_limit) points.resize(edge_point_limit);
    next.first_points = std::move(points);
    next.points += way.points;
    s.begin = way.stretch.begin;
    s.begin_uncertainty_s = way.stretch.begin_uncertainty_s;
    s.samples += way.stretch.samples;
    s.energy_ws += way.stretch.energy_ws;
    s.covered_s += way.stretch.covered_s;
    s.lowest_w = std::min(s.lowest_w, way.stretch.lowest_w);
    s.highest_w = std::max(s.highest_w, way.stretch.highest_w);
    s.excursions += way.stretch.excursions;
    items_[i + 1].first = items_[i].first;
    items_.erase(items_.begin() + static_cast<std::ptrdiff_t>(i));
  }

  PartRules rules_;
  std::vector<Arranged> items_;
};

}  // namespace

std::vector<Arranged> arrange(const std::vector<Part>& parts, const PartRules& rules) {
  return Arranger(parts, rules).run();
}

void write_part(ByteWriter& out, const Part& part) {
  write_stretch(out, part.stretch);
  out.byte(part.decays ? 1 : 0);
  out.integer(part.points);
  out.integer(part.noise_n);
  out.real(part.noise_m2);
  for (const EdgeLevel* e : {&part.head, &part.tail}) {
    out.integer(e->n);
    out.real(e->mean);
  }
  for (const double x : {part.line.n, part.line.x, part.line.y, part.line.xx, part.line.xy}) out.real(x);
  write_points(out, part.first_points);
  write_points(out, part.last_points);
}

void write_points(ByteWriter& out, const std::vector<EdgePoint>& points) {
  out.whole(points.size());
  std::int64_t from = 0;
  for (const EdgePoint& p : points) {
    out.integer(p.first.us - from);
    out.integer(p.last.us - p.first.us);
    from = p.last.us;
    out.integer(p.n);
    out.real(p.mean);
  }
}

std::vector<EdgePoint> read_points(ByteReader& in) {
  std::vector<EdgePoint> points(in.count(11));
  std::uint64_t from = 0;  // modulo 2^64: damaged bytes must not overflow
  for (EdgePoint& p : points) {
    from += static_cast<std::uint64_t>(in.integer());
    p.first.us = static_cast<std::int64_t>(from);
    from += static_cast<std::uint64_t>(in.integer());
    p.last.us = static_cast<std::int64_t>(from);
    p.n = in.integer();
    p.mean = in.real();
  }
  return points;
}

Part read_part(ByteReader& in) {
  Part part;
  part.stretch = read_stretch(in);
  part.decays = in.byte() == 1;
  part.points = in.integer();
  part.noise_n = in.integer();
  part.noise_m2 = in.real();
  for (EdgeLevel* e : {&part.head, &part.tail}) {
    e->n = in.integer();
    e->mean = in.real();
  }
  for (double* x : {&part.line.n, &part.line.x, &part.line.y, &part.line.xx, &part.line.xy}) *x = in.real();
  part.first_points = read_points(in);
  part.last_points = read_points(in);
  return part;
}

}  // namespace nightwatt
