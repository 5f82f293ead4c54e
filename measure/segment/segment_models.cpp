#include "segment/segment_models.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <limits>
#include <optional>

#include "segment/segment_evidence.hpp"
#include "segment/segment_ways.hpp"

namespace nightwatt {

namespace {

// The table of docs/measuring.md, "How a night becomes segments". Costs in nats.
constexpr double level_cost = 5.0;      // a level, its value and where it begins
constexpr double curve_cost = 8.0;      // two numbers more
constexpr double turns_cost = 8.0;      // a second level and its share of the time
constexpr double irregular_cost = 3.0;  // irregular work begins
constexpr double irregular_share =
    0.4;                                // and lasts so much of a shortest segment: the longer, the less it is irregular
constexpr double least_firmness = 0.4;  // what scatters counts that much of its time as held, however much it scatters
constexpr double ramp_cost = 2.5;       // its ends are its neighbours' levels
constexpr double jump_cost = 0.5;       // a reading or two on the way from one level to the next
constexpr double turns_reach = 4.0;     // deviations, of a phase from its level
constexpr double rare = 1.0 / 3.0;      // of the time: less departs from a level
constexpr double uncut_share = 0.15;    // how nearly their scatter is that of two levels, where the engine cut none
constexpr std::size_t uncut_after = 2;  // phases, which tell both levels
constexpr double turns_s = 60.0;        // the contract's: a phase held for longer is a level
constexpr std::int64_t jump_points = 2;
constexpr std::int64_t least_readings = 3;  // the contract's: of a steady segment
constexpr std::size_t least_phases = 10;    // five cycles

enum class Model : std::uint8_t { level, curve, decay, turns, irregular, ramp, jump };
constexpr std::size_t model_count = 7;
constexpr std::array<Model, 4> steady_models = {Model::level, Model::curve, Model::decay, Model::turns};

class Explainer {
 public:
  Explainer(std::span<const Piece> pieces, const PieceRules& rules)
      : pieces_(pieces),
        rules_(rules),
        at_(evidence_of(pieces, rules)),
        ways_(at_, rules),
        best_((pieces.size() + 1) * model_count) {
    best_[index(0, Model::jump)].cost = 0.0;  // the record begins: nothing is known of what was before
    for (std::size_t i = 0; i < pieces_.size(); ++i) from(i);
  }

  [[nodiscard]] Explanation result(std::size_t lookahead) const {
    Explanation out;
    std::size_t way_from = 0;
    for (const Found& f : trace(pieces_.size())) {
      if (f.model != Model::jump) {
        out.segments.push_back(made(f, way_from, out.segments));
      } else if (f.last == pieces_.size()) {
        take_way_out(out.segments, f);
      } else {
        continue;  // a reading or two on the way belong to the segment they lead to
      }
      way_from = f.last;
    }
    out.decided = decided(out.segments, lookahead);
    return out;
  }

 private:
  struct Step {
    double cost = infinity;
    std::size_t from = 0;
    Model before = Model::jump;
    Curve curve = {};
  };
  struct Found {
    std::size_t first = 0, last = 0;
    Model model = Model::level;
    Curve curve = {};
  };

  [[nodiscard]] static std::size_t index(std::size_t end, Model model) {
    return end * model_count + static_cast<std::size_t>(model);
  }
  /// The cheapest explanation of what is before piece `i` whose last model `may_precede`.
  template <typename May>
  [[nodiscard]] Step entry(std::size_t i, May may_precede) const {
    Step in;
    for (std::size_t m = 0; m < model_count; ++m) {
      const auto model = static_cast<Model>(m);
      const double cost = best_[index(i, model)].cost;
      if (cost < in.cost && (i == 0 || may_precede(model))) in = {cost, i, model};
    }
    return in;
  }
  void offer(std::size_t end, Model model, const Step& in, double cost, const Curve& curve = {}) {
    Step& best = best_[index(end, model)];
    if (in.cost + cost < best.cost) best = {in.cost + cost, in.from, in.before, curve};
  }

  void from(std::size_t i) {
    const Step any = entry(i, [](Model) { return true; });
    const Step no_ramp = entry(i, [](Model m) { return m != Model::ramp; });
    const Step steady = entry(
        i, [](Model m) { return std::find(steady_models.begin(), steady_models.end(), m) != steady_models.end(); });
    if (any.cost < infinity) {
      levels(i, any);
      curves(i, any, no_ramp);
      turns(i, any);
    }
    if (leaves_work(i)) jumps(i, no_ramp);
    if (steady.cost == infinity) return;
    irregular(i, steady);
    jumps(i, steady);
    if (i > 0) ramps(i, steady);
  }

  // ---- a level

  struct Mean {
    double w = 0.0, wx = 0.0, wxx = 0.0;
    void add(double x, double variance) { w += 1.0 / variance, wx += x / variance, wxx += x * x / variance; }
    [[nodiscard]] double mean() const { return wx / w; }
    [[nodiscard]] double rest() const { return w > 0.0 ? 0.5 * std::max(0.0, wxx - wx * wx / w) : 0.0; }
  };

  /// Walks on from piece `i`; tells for every piece whether it departs from the level, and what the level costs up to
  /// it.
  template <typename Tell>
  void walk_level(std::size_t i, Tell tell) const {
    Mean sure;   // of all pieces of the level but the last
    Mean apart;  // of all, brief ones as they are: they wander beside a piece that holds
    bool held = false;
    double rest = 0.0, held_s = 0.0, away_s = 0.0, back_s = 0.0, last_away_s = 0.0, stepped = 0.0;
    std::int64_t readings = 0;
    std::size_t last = at_.size();
    const auto variance_of = [&](std::size_t k, double steps) {
      return at_[k].mean_variance + (1.0 - steps) * at_[k].wander_variance;
    };
    for (std::size_t j = i; j < at_.size(); ++j) {
      const Evidence& e = at_[j];
      if (e.restless) return;
      Mean so_far = sure;
      if (last < at_.size()) so_far.add(at_[last].mean_w, variance_of(last, stepped));
      const bool away = e.length_s < turns_s && so_far.w > 0.0 &&
                        std::abs(e.mean_w - so_far.mean()) > 3.0 * std::sqrt(e.far_variance);
      if (away) {
        rest += away_s == 0.0 ? excursion_cost : irregular_piece;  // each further piece has a mean of its own
        away_s += e.length_s;
        // What departs is short beside the level it departs from and comes back to.
        const double rest_s = std::clamp(away_s, rules_.edge_window_s(), rules_.shortest_s);
        if (away_s >= rules_.shortest_s || held_s < rest_s) return;
        last_away_s = away_s;
        back_s = 0.0;
      } else {
        // Behind a departure nothing says whether the level wandered or stepped.
        const double step = last == at_.size() ? 0.0 : (away_s > 0.0 ? 1.0 : e.step_before);
        if (last < at_.size()) sure.add(at_[last].mean_w, variance_of(last, std::max(stepped, step)));
        so_far = sure;
        so_far.add(e.mean_w, variance_of(j, last == at_.size() ? 1.0 : step));
        stepped = step;
        last = j;
        away_s = 0.0;
        back_s += e.length_s;
        rest += 0.5 * e.lean_w * e.lean_w / e.lean_variance;
        apart.add(e.mean_w, e.mean_variance - (e.brief ? e.wander_variance : 0.0));
        held = held || !e.brief;
        held_s += e.length_s;
        readings += e.readings;
      }
      const bool whole = !away && back_s >= last_away_s && held_s >= rules_.shortest_s && readings >= least_readings;
      if (!tell(j, away, whole, rest + (held ? so_far : apart).rest())) return;
    }
  }

  void levels(std::size_t i, const Step& in) {
    walk_level(i, [&](std::size_t j, bool, bool whole, double cost) {
      if (whole) offer(j + 1, Model::level, in, level_cost + cost);
      return cost < hopeless(j + 1 - i);
    });
  }
  /// More than irregular work and a level for each piece would cost: nothing longer can win.
  [[nodiscard]] static double hopeless(std::size_t count) { return 40.0 + level_cost * static_cast<double>(count); }

  // ---- a curve that settles, or drifts

  /// A way leads to a level, not to the top of a curve that falls far.
  void curves(std::size_t i, const Step& in, const Step& in_of_decay) {
    double held_s = 0.0, level_rest = 0.0, way = 0.0, last = at_[i].mean_w;
    std::int64_t points = 0;
    double w = 0.0, wx = 0.0, wxx = 0.0;
    for (std::size_t j = i; j < at_.size(); ++j) {
      const Evidence& e = at_[j];
      if (e.irregular) return;
      held_s += e.length_s;
      points += e.points;
      w += 1.0 / e.mean_variance, wx += e.mean_w / e.mean_variance, wxx += e.mean_w * e.mean_w / e.mean_variance;
      level_rest += 0.5 * e.lean_w * e.lean_w / e.lean_variance;
      // A curve goes one way; what a level explains as well needs none.
      if (!e.brief) {
        const double step = e.mean_w - last;
        if (way == 0.0 && std::abs(step) > 3.0 * std::sqrt(e.mean_variance)) way = step;
        if (way * step < 0.0 && std::abs(step) > 4.0 * std::sqrt(e.mean_variance)) return;
        last = e.mean_w;
      }
      if (held_s < 3.0 * rules_.shortest_s || points < 2 * least_points) continue;
      if (level_rest + 0.5 * (wxx - wx * wx / w) <= curve_cost - level_cost) continue;
      const Curve c = ways_.best_curve(i, j);
      if (c.cost == infinity) continue;
      const bool decay = Ways::falls_far(c, at_[j].begin_s + at_[j].length_s - at_[i].begin_s);
      offer(j + 1, decay ? Model::decay : Model::curve, decay ? in_of_decay : in, curve_cost + c.cost, c);
      if (c.cost > hopeless(j + 1 - i)) return;
    }
  }

  // ---- two levels that take turns

  /// Pieces by turns at two levels, each phase shorter than a minute; `phases` are where they begin.
  template <typename Tell>
  void walk_turns(std::size_t i, Tell tell) const {
    std::array<Mean, 2> levels;
    std::vector<std::size_t> phases;
    double rest = 0.0, phase_from_s = 0.0;
    // Of how far they are apart a little is no way from either.
    const auto spread = [&](const Evidence& e) {
      if (!(levels[0].w > 0.0 && levels[1].w > 0.0)) return e.mean_variance;
      const double apart = tolerance_share * (levels[0].mean() - levels[1].mean());
      return e.mean_variance + apart * apart;
    };
    const auto off = [&](const Evidence& e, std::size_t phase) {
      const Mean& level = levels[phase % 2];
      return level.w > 0.0 ? std::abs(e.mean_w - level.mean()) / std::sqrt(spread(e)) : 0.0;
    };
    for (std::size_t j = i; j < at_.size(); ++j) {
      const Evidence& e = at_[j];
      const std::size_t now = phases.size();
      if (now >= uncut_after && is_uncut(e, levels[0].mean(), levels[1].mean())) {
        rest += irregular_piece;
        phase_from_s = e.begin_s + e.length_s;
      } else {
        if (e.restless || e.length_s >= turns_s) return;
        const bool goes_on = now > 0 && off(e, now - 1) <= turns_reach && (now < 2 || off(e, now - 1) < off(e, now));
        if (goes_on && e.begin_s + e.length_s - phase_from_s >= turns_s) return;
        if (!goes_on && (off(e, now) > turns_reach || (e.points <= jump_points && now < 2))) {
          if (e.points > jump_points) return;
          rest += jump_cost;
          continue;
        }
        levels[(goes_on ? now - 1 : now) % 2].add(e.mean_w, spread(e));
        if (!goes_on) phases.push_back(j), phase_from_s = e.begin_s;
      }
      if (!tell(j, phases, rest + levels[0].rest() + levels[1].rest())) return;
    }
  }

  /// Several phases that the engine took for noise: readings at two levels scatter more than any others between them.
  [[nodiscard]] static bool is_uncut(const Evidence& e, double a_w, double b_w) {
    const double share = (e.mean_w - a_w) / (b_w - a_w);
    if (share < rare / 2.0 || share > 1.0 - rare / 2.0) return false;
    const double expected = std::abs(b_w - a_w) * std::sqrt(share * (1.0 - share));
    return std::abs(std::sqrt(e.own_variance) - expected) < uncut_share * expected;
  }

  void turns(std::size_t i, const Step& in) {
    walk_turns(i, [&](std::size_t j, const std::vector<std::size_t>& phases, double rest) {
      if (phases.size() >= least_phases && true_turns(phases, j)) offer(j + 1, Model::turns, in, turns_cost + rest);
      return true;
    });
  }

  /// Neither level so rare that it departs from the other.
  [[nodiscard]] bool true_turns(const std::vector<std::size_t>& phases, std::size_t last) const {
    const double share = upper_share(phases, last);
    return share > rare && share < 1.0 - rare;
  }
  /// Mean of every second phase.
  [[nodiscard]] double phase_level_w(const std::vector<std::size_t>& phases, std::size_t first) const {
    double sum = 0.0, n = 0.0;
    for (std::size_t k = first; k < phases.size(); k += 2) sum += at_[phases[k]].mean_w, n += 1.0;
    return sum / n;
  }
  /// Share of the time at the upper level, from the mean of all.
  [[nodiscard]] double upper_share(const std::vector<std::size_t>& phases, std::size_t last) const {
    double energy_ws = 0.0, all_s = 0.0;
    for (std::size_t k = phases.front(); k <= last; ++k)
      energy_ws += at_[k].mean_w * at_[k].length_s, all_s += at_[k].length_s;
    const double a_w = phase_level_w(phases, 0), b_w = phase_level_w(phases, 1);
    const double low_w = std::min(a_w, b_w);
    return (energy_ws / all_s - low_w) / std::max(std::abs(a_w - b_w), 1e-9);
  }

  // ---- what is between levels

  /// How much a level tells a piece better than irregular work does: 1 where it is quiet, less the more nearly it
  /// scatters as no level does.
  [[nodiscard]] double firmness(const Evidence& e) const {
    const double quiet_w = std::hypot(tolerance_share * e.mean_w, tolerance_w);
    const double display = rules_.step_w * rules_.step_w / 4.0;  // the most that toggling of two counts scatters
    const double louder = std::sqrt(std::max(e.own_variance - display, 0.0)) / quiet_w;
    if (louder <= 1.0) return 1.0;
    return std::max(1.0 - std::log(louder) / std::log(steps_share / tolerance_share), least_firmness);
  }

  void irregular(std::size_t i, const Step& in) {
    const double lasts_s =
        std::max(irregular_share * rules_.shortest_s, static_cast<double>(least_points) * rules_.interval_s);
    double cost = irregular_cost;
    for (std::size_t j = i; j < at_.size(); ++j) {
      if (pieces_[j].regime.shape != RegimeShape::unsteady)
        cost += irregular_piece + (at_[j].restless ? 0.0 : firmness(at_[j]) * at_[j].length_s / lasts_s);
      offer(j + 1, Model::irregular, in, cost);
    }
  }

  /// Piece `i` lies further from the last ones than these from each other: of irregular work it is no part.
  [[nodiscard]] bool leaves_work(std::size_t i) const {
    constexpr std::size_t looked_at = 4;
    if (i < looked_at) return false;
    const auto [low, high] = std::minmax_element(
        at_.begin() + static_cast<std::ptrdiff_t>(i - looked_at), at_.begin() + static_cast<std::ptrdiff_t>(i),
        [](const Evidence& a, const Evidence& b) { return a.mean_w < b.mean_w; });
    const double spread = high->mean_w - low->mean_w;
    return at_[i].mean_w > high->mean_w + spread || at_[i].mean_w < low->mean_w - spread;
  }

  void jumps(std::size_t i, const Step& in) {
    std::int64_t points = 0;
    for (std::size_t j = i; j < at_.size(); ++j) {
      points += at_[j].points;
      if (points > jump_points) return;
      offer(j + 1, Model::jump, in, jump_cost);
    }
  }

  /// A straight way from the level before to the level after: nothing of it is free.
  void ramps(std::size_t i, const Step& in) {
    const double from_w = pieces_[i - 1].tail.mean;
    std::int64_t points = 0;
    for (std::size_t j = i; j + 1 < at_.size(); ++j) {
      if (at_[j].irregular) return;
      points += at_[j].points;
      const double way = pieces_[j + 1].head.mean - from_w;
      if (points <= jump_points || std::abs(way) < 2.0 * rules_.step_w) continue;
      if ((at_[j].mean_w - from_w) * way < 0.0 &&
          std::abs(at_[j].mean_w - from_w) > 4.0 * std::sqrt(at_[j].mean_variance))
        return;
      for (const double share : shape_shares)
        offer(j + 1, Model::ramp, in, ramp_cost + ways_.straight(i, j, from_w, way, share));
    }
  }

  // ---- what was found

  [[nodiscard]] std::vector<Found> trace(std::size_t end) const {
    std::vector<Found> found;
    Model model = Model::irregular;
    for (const Model m : {Model::level, Model::curve, Model::decay, Model::turns, Model::jump})
      if (best_[index(end, m)].cost < best_[index(end, model)].cost) model = m;
    while (end > 0) {
      const Step& step = best_[index(end, model)];
      found.push_back({step.from, end, model, step.curve});
      end = step.from;
      model = step.before;
    }
    std::reverse(found.begin(), found.end());
    return found;
  }

  /// Segments that every best explanation of the pieces up to one of the last ones shares.
  [[nodiscard]] std::size_t decided(const std::vector<Explained>& segments, std::size_t lookahead) const {
    if (pieces_.size() <= lookahead) return 0;
    std::vector<std::size_t> shared;
    for (const Explained& s : segments) shared.push_back(s.last);
    for (std::size_t end = pieces_.size() - lookahead; end < pieces_.size(); ++end) {
      std::vector<std::size_t> ends;
      for (const Found& f : trace(end)) ends.push_back(f.last);
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

  [[nodiscard]] Explained made(const Found& f, std::size_t way_from, const std::vector<Explained>& before) const {
    Explained e{pieces_[f.first], f.first, f.last};
    const std::vector<bool> away = departures(f);
    for (std::size_t k = f.first + 1; k < f.last; ++k) {
      join(e.part, pieces_[k], rules_, !away[k - f.first]);
      if (away[k - f.first] && !away[k - f.first - 1]) ++e.part.regime.excursions;
    }
    give_shape(e, f, way_from, before);
    if (way_from < f.first) take_way_in(e, way_from);
    return e;
  }

  [[nodiscard]] std::vector<bool> departures(const Found& f) const {
    std::vector<bool> away(f.last - f.first, false);
    if (f.model == Model::level)
      walk_level(f.first, [&](std::size_t j, bool is_away, bool, double) {
        away[j - f.first] = is_away;
        return j + 1 < f.last;
      });
    if (f.model == Model::curve || f.model == Model::decay)
      for (std::size_t k = f.first; k < f.last; ++k) away[k - f.first] = ways_.blip(f.first, f.last - 1, k);
    return away;
  }

  void give_shape(Explained& e, const Found& f, std::size_t way_from, const std::vector<Explained>& before) const {
    Regime& s = e.part.regime;
    s.shape = RegimeShape::steady;
    if (f.model == Model::turns) describe_turns(e, f);
    s.line_begin_w = e.part.head.mean;
    s.line_end_w = e.part.tail.mean;
    if (f.model == Model::decay) {
      s.shape = RegimeShape::decay;
      // Where readings are on their way from what was before, it began earlier.
      s.line_begin_w = f.curve.at(at_[way_from].begin_s - at_[f.first].begin_s);
    }
    if (f.model != Model::ramp && f.model != Model::irregular) return;
    s.shape = f.model == Model::ramp ? RegimeShape::ramp : RegimeShape::unsteady;
    s.line_begin_w = before.empty() ? e.part.head.mean : before.back().part.tail.mean;
    s.line_end_w = f.last == pieces_.size() ? e.part.tail.mean : pieces_[f.last].head.mean;
  }

  /// Share of the time at the upper level, and the mean of whole cycles; the first and last phase may be cut short.
  void describe_turns(Explained& e, const Found& f) const {
    std::vector<std::size_t> phases;
    walk_turns(f.first, [&](std::size_t j, const std::vector<std::size_t>& so_far, double) {
      phases = so_far;
      return j + 1 < f.last;
    });
    e.part.regime.duty = upper_share(phases, f.last - 1);
    e.part.regime.cycles = whole_cycles(phases);
  }

  [[nodiscard]] Cycles whole_cycles(const std::vector<std::size_t>& phases) const {
    std::vector<double> means, lengths;
    double energy_ws = 0.0, covered_s = 0.0;
    for (std::size_t p = 1; p + 2 < phases.size(); p += 2) {
      double cycle_ws = 0.0, cycle_s = 0.0;
      for (std::size_t k = phases[p]; k < phases[p + 2]; ++k) {
        cycle_ws += pieces_[k].regime.energy_ws;
        cycle_s += pieces_[k].regime.covered_s;
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

  /// Puts the pieces [from, e.first) before a segment, their readings in no level.
  void take_way_in(Explained& e, std::size_t from) const {
    Piece way = pieces_[from];
    for (std::size_t k = from + 1; k < e.first; ++k) join(way, pieces_[k], rules_, true);
    precede(e.part, way);
    e.first = from;
  }

  /// At the record's end a way leads to nothing: it is a departure from what was before.
  void take_way_out(std::vector<Explained>& segments, const Found& f) const {
    if (segments.empty()) {
      segments.push_back({pieces_[f.first], f.first, f.first + 1});
      segments.back().part.regime.shape = RegimeShape::unsteady;
    }
    Explained& last = segments.back();
    for (std::size_t k = last.last; k < f.last; ++k) join(last.part, pieces_[k], rules_, false);
    last.last = f.last;
  }

  std::span<const Piece> pieces_;
  const PieceRules& rules_;
  std::vector<Evidence> at_;
  Ways ways_;  // through at_
  std::vector<Step> best_;
};

}  // namespace

Explanation explain(std::span<const Piece> pieces, const PieceRules& rules, std::size_t lookahead) {
  if (pieces.empty()) return {};
  return Explainer(pieces, rules).result(lookahead);
}

}  // namespace nightwatt
