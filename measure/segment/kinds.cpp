#include "segment/kinds.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <limits>
#include <optional>
#include <utility>

#include "measure/segment/states.hpp"
#include "measure/signal/advice.hpp"
#include "segment/charging.hpp"

namespace nightwatt {

namespace {

// The contract's.
constexpr double standby_share = 0.40;        // of idle: below it a level may be standby
constexpr double still_share = 0.20;          // of idle: a count further away is another level
constexpr double off_share = 0.25;            // of a display step: most of what is shown is 0
constexpr double truncated_off_share = 0.02;  // a display that cuts off shows 0 up to a whole step

// The evidence, in log-odds; docs/measuring.md has the table with the reasons.
constexpr double boot = 3.0;  // irregular work after a low level ends in idle
constexpr double boot_elsewhere = -1.5;
constexpr double no_boot_s = 8.0, surely_boot_s = 20.0, longest_boot_s = 180.0;
constexpr double boot_peak = 1.05;   // of the level it ends in
constexpr double noise_reach = 3.5;  // standard deviations that a noisy level's own peaks reach
constexpr double back_to_idle = 0.5, below_idle = -0.7, not_yet_idle = -0.3;  // where a load ends
constexpr double wakes_to_idle = 0.5, wakes_to_load = -1.0;                   // where a standby ends
constexpr double wakes_slowly = -1.5;  // what goes up or down in a straight line was awake on the way
constexpr double load_peak = 0.7, longest_peak_s = 15.0;  // a load begins with a peak
constexpr double most_of_a_sort = 3.0;  // as many of one transition count: ten nights of one timer prove nothing new
constexpr double held_weight = 0.2;     // of the logarithm of idle's share of the time at levels
constexpr double restless_standby = -1.0;
constexpr double curve_ends_at_rest = 1.5, curve_ends_elsewhere = -3.0, curve_unexplained = -2.0;
constexpr double near = 1.5;            // a second account within this is told
constexpr double working_share = 0.90;  // of the lowest steady level: below it the device was seen working lower
constexpr double longest_dip = 2.0;     // shortest segments: one that departs, and what is too short before it
constexpr double small_standby_w = 3.0;

/// Log-density of a normal variable.
double log_normal(double x, double mean, double standard_deviation) {
  const double z = (x - mean) / standard_deviation;
  return -0.5 * z * z - std::log(standard_deviation);
}
/// How far below idle a standby lies, and how far above it a load. Common practice, no source: medians 0.07 and 3.2.
double of_standby(double share_of_idle) {
  return log_normal(std::log(std::max(share_of_idle, 1e-4)), std::log(0.07), 0.9);
}
double of_load(double times_idle) {
  return log_normal(std::log(times_idle), std::log(3.2), 0.8);
}

struct Odds {
  double up_to_w = 0.0;
  double prior = 0.0;
};
double look_up(std::span<const Odds> table, double level_w) {
  for (const Odds& row : table)
    if (level_w <= row.up_to_w) return row.prior;
  return table.back().prior;
}
/// What draws so much while it does nothing. (EU) 2023/826 allows 0.5 W off or on standby, 0.8 W with a display of its
/// state, 2 to 8 W with a network (from memory); servers' managers some 15 W (common practice, no source).
double of_standby_w(double level_w) {
  return -1.5 * std::pow(level_w / 8.0, 1.5);
}
/// A whole computer that idles at so little: the smallest boards need some tenths of a watt (common practice, no
/// source).
double of_idle_w(double level_w) {
  static constexpr std::array<Odds, 4> table = {{{0.3, -2.5}, {0.5, -1.5}, {1.0, -0.5}, {1e9, 0.0}}};
  return look_up(table, level_w);
}

/// Levels that are one.
struct State {
  double level_w = 0.0;  // as shown, by time
  double time_s = 0.0;
  bool quiet = true;  // scatters no more than a meter does
};

struct Account {
  std::size_t idle = 0;  // which state
  bool charging = false;
  double score = -std::numeric_limits<double>::infinity();
};

class Namer {
 public:
  Namer(std::vector<Segment>& segments, std::span<const Regime> regimes, const ClassifyInput& input)
      : segments_(segments), regimes_(regimes), input_(input), state_of_(segments.size(), none) {}

  std::vector<std::string> run() {
    name_off();
    charging_ = find_charges(segments_, regimes_);
    std::vector<Account> accounts;
    for (const bool charging : {false, true}) {
      if (charging && charging_.empty()) continue;
      make_states(charging);
      for (std::size_t k = 0; k < states_.size(); ++k)
        if (possible(k)) accounts.push_back({k, charging, score(k, charging)});
    }
    if (!accounts.empty()) {
      std::stable_sort(accounts.begin(), accounts.end(),
                       [](const Account& a, const Account& b) { return a.score > b.score; });
      make_states(accounts.front().charging);
      name(accounts.front());
      tell_runner_up(accounts);
    }
    for (const KindMark& mark : input_.marks)
      for (Segment& g : segments_)
        if (g.begin <= mark.at && (mark.at < g.end || (&g == &segments_.back() && mark.at == g.end)))
          g.kind = mark.kind;
    return std::move(warnings_);
  }

 private:
  static constexpr std::size_t none = std::numeric_limits<std::size_t>::max();
  [[nodiscard]] bool steady(std::size_t i) const { return segments_[i].level_w.has_value(); }
  [[nodiscard]] bool on(std::size_t i) const { return holds_power(segments_[i]); }
  [[nodiscard]] double shown(std::size_t i) const { return *segments_[i].shown_w; }
  [[nodiscard]] double step_w() const { return input_.learnt.step_w; }

  // ---- off

  [[nodiscard]] double off_limit() const {
    const double share = input_.settings.traits.rounding == Rounding::truncates ? truncated_off_share : off_share;
    return input_.settings.traits.starting_w.value_or(step_w() * share);
  }

  void name_off() {
    const bool told = input_.settings.traits.starting_w.has_value();
    // A level near the limit would be off in one hour and on in the next: all such of a run are judged as one.
    double time_s = 0.0, sum = 0.0;
    const auto close = [&](const Segment& g) {
      return !told && std::abs(*g.shown_w - off_limit()) <= off_limit() / 2.0;
    };
    for (const Segment& g : segments_) {
      if (!g.level_w || !close(g)) continue;
      time_s += length_s(g);
      sum += length_s(g) * *g.shown_w;
    }
    const bool close_is_off = time_s > 0.0 && sum / time_s <= off_limit();
    for (Segment& g : segments_)
      if (g.level_w && (close(g) ? close_is_off : *g.shown_w <= off_limit())) g.kind = SegmentKind::off;
  }

  [[nodiscard]] bool in_charging(std::size_t i) const { return is_within(charging_, i); }

  // ---- states

  void make_states(bool charging) {
    states_.clear();
    std::fill(state_of_.begin(), state_of_.end(), none);
    std::vector<SegmentLevel> levels;
    for (std::size_t i = 0; i < segments_.size(); ++i)
      if (on(i) && !(charging && in_charging(i))) levels.push_back({shown(i), i});
    for (const std::vector<SegmentLevel>& held : parted(std::move(levels), step_w())) {
      State& s = states_.emplace_back();
      double energy_ws = 0.0;
      for (const auto& [level_w, i] : held) {
        const double time_s = std::max(length_s(segments_[i]), 1e-3);
        energy_ws += level_w * time_s;
        s.time_s += time_s;
        const double standard_deviation_w = regimes_[i].digest().standard_deviation_w;
        s.quiet = s.quiet && standard_deviation_w <= std::max(state_reach_w(level_w, step_w()), 0.05);
        state_of_[i] = states_.size() - 1;
      }
      s.level_w = energy_ws / s.time_s;
    }
  }

  /// All below must be able to be standby.
  [[nodiscard]] bool possible(std::size_t idle) const {
    return idle == 0 || states_[idle - 1].level_w < standby_share * states_[idle].level_w;
  }

  // ---- evidence

  [[nodiscard]] double score(std::size_t idle, bool charging) const {
    return by_levels(idle) + by_time(idle) + by_order(idle, charging) + by_curves(idle, charging);
  }

  /// Whether an account would name a state's segments idle.
  [[nodiscard]] bool is_idle(std::size_t state, std::size_t idle) const {
    const double idle_w = states_[idle].level_w;
    return state >= idle && states_[state].level_w - idle_w <= idle_reach_w(idle_w);
  }

  [[nodiscard]] double by_levels(std::size_t idle) const {
    const double idle_w = states_[idle].level_w;
    double sum = of_idle_w(idle_w);
    for (std::size_t k = 0; k < idle; ++k) {
      const State& s = states_[k];
      sum += of_standby(s.level_w / idle_w) + of_standby_w(s.level_w) + (s.quiet ? 0.0 : restless_standby);
    }
    if (!is_idle(states_.size() - 1, idle)) sum += of_load(states_.back().level_w / idle_w);
    return sum;
  }

  [[nodiscard]] double by_time(std::size_t idle) const {
    double all_s = 0.0, idle_s = 0.0;
    for (std::size_t k = 0; k < states_.size(); ++k) {
      all_s += states_[k].time_s;
      if (is_idle(k, idle)) idle_s += states_[k].time_s;
    }
    return held_weight * std::log(idle_s / all_s);
  }

  /// From one level to the next, and what was between them.
  struct Change {
    std::size_t from = none;  // a state; none: off, or the record's begin or a gap
    bool from_off = false;
    std::size_t to = none;
    std::size_t to_segment = none;
    double irregular_s = 0.0;
    double peak_w = 0.0;
    bool slowly = false;  // by a ramp
  };

  [[nodiscard]] std::vector<Change> changes(bool charging) const {
    std::vector<Change> all;
    Change now;
    for (std::size_t i = 0; i < segments_.size(); ++i) {
      const Segment& g = segments_[i];
      if (g.kind == SegmentKind::gap || (charging && in_charging(i))) {
        now = {};
      } else if (g.kind == SegmentKind::off) {
        now = {};
        now.from_off = true;
      } else if (!on(i)) {
        now.slowly = now.slowly || (g.kind == SegmentKind::ramp && length_s(g) >= input_.settings.shortest_segment_s);
        if (g.kind != SegmentKind::unsteady) continue;
        now.irregular_s += length_s(g);
        now.peak_w = std::max(now.peak_w, g.highest_w.value_or(0.0));
      } else {
        now.to = state_of_[i];
        now.to_segment = i;
        all.push_back(now);
        now = {};
        now.from = state_of_[i];
      }
    }
    return all;
  }

  /// From 0, no boot, to 1: irregular work of so long, above and below the level it ends in.
  [[nodiscard]] double like_a_boot(const Change& c) const {
    if (c.irregular_s > longest_boot_s) return 0.0;
    const double to_w = shown(c.to_segment);
    if (!c.from_off && (c.from == none || states_[c.from].level_w >= standby_share * to_w)) return 0.0;
    const double own_peak_w = to_w + noise_reach * regimes_[c.to_segment].digest().standard_deviation_w;
    if (c.peak_w <= std::max(boot_peak * to_w, own_peak_w)) return 0.0;
    return std::clamp((c.irregular_s - no_boot_s) / (surely_boot_s - no_boot_s), 0.0, 1.0);
  }

  /// Some seconds above the level that follows, as a processor works until it is warm.
  [[nodiscard]] bool begins_with_peak(const Change& c) const {
    return c.irregular_s > 0.0 && c.irregular_s < longest_peak_s && c.peak_w > boot_peak * shown(c.to_segment);
  }

  [[nodiscard]] double by_order(std::size_t idle, bool charging) const {
    double peaks = 0.0, boots = 0.0, elsewhere = 0.0, loads_home = 0.0, loads_below = 0.0, loads_on = 0.0, wakes = 0.0,
           jumps = 0.0, slow = 0.0;
    const auto count = [](double& n) { n = std::min(n + 1.0, most_of_a_sort); };
    for (const Change& c : changes(charging)) {
      const bool rests_before = c.from_off || (c.from != none && c.from < idle);
      const bool to_idle = is_idle(c.to, idle);
      if (rests_before) (to_idle ? boots : elsewhere) += like_a_boot(c);
      if (rests_before && c.to >= idle) count(to_idle ? wakes : jumps);
      if (c.from == none || c.from == c.to) continue;
      const bool from_idle = is_idle(c.from, idle);
      if (c.slowly && (c.from < idle) != (c.to < idle)) count(slow);
      if (from_idle && c.to > idle && !to_idle && begins_with_peak(c)) count(peaks);
      if (c.from > idle && !from_idle) count(to_idle ? loads_home : c.to < idle ? loads_below : loads_on);
    }
    return boot * std::min(boots, 1.0) + 0.5 * std::clamp(boots - 1.0, 0.0, most_of_a_sort) +
           boot_elsewhere * std::min(elsewhere, most_of_a_sort) + back_to_idle * loads_home + below_idle * loads_below +
           not_yet_idle * loads_on + wakes_to_idle * wakes + wakes_to_load * jumps + wakes_slowly * slow +
           load_peak * peaks;
  }

  /// What the device draws by itself: a level of this account's idle or of a standby below it.
  [[nodiscard]] bool at_rest(double level_w, std::size_t idle) const {
    return std::any_of(states_.begin(), states_.begin() + static_cast<std::ptrdiff_t>(idle) + 1,
                       [&](const State& s) { return std::abs(level_w - s.level_w) <= charging_step * s.level_w; });
  }

  /// A charging curve ends at what the device draws by itself, and there it stays or sets to work.
  [[nodiscard]] double by_curves(std::size_t idle, bool charging) const {
    double sum = 0.0;
    for (const auto& [first, last] : charging_) {
      if (!charging) {
        sum += curve_unexplained;
        continue;
      }
      if (last + 1 >= segments_.size() || segments_[last + 1].kind == SegmentKind::gap) continue;
      std::size_t next = last + 1;
      while (next < segments_.size() && !steady(next)) ++next;
      if (next == segments_.size()) continue;
      const bool rest = segments_[next].kind == SegmentKind::off ||
                        (state_of_[next] != none && state_of_[next] <= idle) ||
                        at_rest(regimes_[last].line_end_w, idle);
      sum += rest ? curve_ends_at_rest : curve_ends_elsewhere;
    }
    return sum;
  }

  // ---- the best account

  void name(const Account& best) {
    const double idle_w = states_[best.idle].level_w;
    const bool lower = seen_working_below(best);
    for (std::size_t i = 0; i < segments_.size(); ++i) {
      Segment& g = segments_[i];
      if (best.charging && in_charging(i)) {
        g.kind = SegmentKind::charging;
      } else if (!on(i)) {
        continue;
      } else if (state_of_[i] < best.idle) {
        g.kind = SegmentKind::standby;
      } else {
        const bool idle = !lower && shown(i) - idle_w <= idle_reach_w(idle_w);
        g.kind = idle ? SegmentKind::idle : SegmentKind::plateau;
      }
    }
  }

  /// The contract's half a step and 7 %; and one count of a still display, where that is no more than a fifth: one
  /// level on the edge between two counts shows as either.
  [[nodiscard]] double idle_reach_w(double idle_w) const {
    return std::max({step_w() / 2.0, idle_share * idle_w, std::min(step_w(), still_share * idle_w)});
  }

  /// After the first level of the working device it worked well below its lowest one, but never 20 s at one power.
  [[nodiscard]] bool seen_working_below(const Account& best) {
    const double level = states_[best.idle].level_w;
    const std::vector<Change> all = changes(best.charging);
    const bool come_back = std::any_of(all.begin(), all.end(), [&](const Change& c) {
      return c.from != none && c.from > best.idle && !is_idle(c.from, best.idle) && is_idle(c.to, best.idle);
    });
    bool begun = false;
    for (std::size_t i = 0; i < segments_.size(); ++i) {
      const Segment& g = segments_[i];
      begun = begun || (on(i) && state_of_[i] != none && state_of_[i] >= best.idle);
      if (!begun || on(i) || g.kind != SegmentKind::unsteady) continue;
      const bool into_rest = i + 1 < segments_.size() &&
                             (segments_[i + 1].kind == SegmentKind::off || (on(i + 1) && state_of_[i + 1] < best.idle));
      const bool from_rest =
          i > 0 && (segments_[i - 1].kind == SegmentKind::off || (on(i - 1) && state_of_[i - 1] < best.idle));
      // A level that the device comes back to from its loads is one that it rests at: what is short beside it departs.
      const bool departs = come_back && length_s(g) < longest_dip * input_.settings.shortest_segment_s;
      if (into_rest || from_rest || departs || *g.mean_w >= working_share * level || *g.mean_w < small_standby_w ||
          *g.lowest_w <= off_limit())
        continue;
      warnings_.push_back(with_advice(
          "the device drew less than its lowest steady level at times, but never held one power long enough "
          "there: no idle level can be quoted",
          "leave it alone until nightwatt status says idle"));
      return true;
    }
    return false;
  }

  void tell_runner_up(const std::vector<Account>& accounts) {
    const Account& best = accounts.front();
    for (const Account& other : accounts) {
      if (other.score < best.score - near || other.charging != best.charging || other.idle == best.idle) continue;
      const State& taken = states_[best.idle];
      const State& instead = states_[other.idle];
      const auto at =
          static_cast<std::size_t>(std::find(state_of_.begin(), state_of_.end(), other.idle) - state_of_.begin());
      warnings_.push_back(with_advice(
          "the record does not tell for sure which level is idle: " + level_text(taken.level_w) +
              " is taken for it, and " + level_text(instead.level_w) + " is nearly as likely",
          "if the other is the idle one, nightwatt mark idle --kind idle --at " +
              std::to_string(segments_[at].begin.us / 1'000'000) + " --run RUN, with this run's number for RUN"));
      return;
    }
  }
  static std::string level_text(double level_w) {
    std::array<char, 32> text{};
    std::snprintf(text.data(), text.size(), level_w < 10.0 ? "%.2f W" : "%.1f W", level_w);
    return text.data();
  }

  std::vector<Segment>& segments_;
  std::span<const Regime> regimes_;
  const ClassifyInput& input_;
  std::vector<std::string> warnings_;
  std::vector<State> states_;          // lowest first
  std::vector<std::size_t> state_of_;  // each segment's; none where it is of no state
  std::vector<Charge> charging_;
};

}  // namespace

std::vector<std::string> name_kinds(std::vector<Segment>& segments, std::span<const Regime> regimes,
                                    const ClassifyInput& input) {
  return Namer(segments, regimes, input).run();
}

}  // namespace nightwatt
