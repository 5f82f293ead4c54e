#include "segment/account_evidence.hpp"

#include <algorithm>
#include <array>
#include <cmath>

namespace nightwatt {

namespace {

constexpr double still_share = 0.20;  // the contract's: of idle; a count further away is another level
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
constexpr double curve_ends_at_rest = 1.5, curve_ends_elsewhere = -3.0;

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

double by_levels(const DeviceStates& night, std::size_t idle) {
  const double idle_w = night.states[idle].level_w;
  double sum = of_idle_w(idle_w);
  for (std::size_t k = 0; k < idle; ++k) {
    const DeviceState& s = night.states[k];
    sum += of_standby(s.level_w / idle_w) + of_standby_w(s.level_w) + (s.quiet ? 0.0 : restless_standby);
  }
  if (!is_idle(night, night.states.size() - 1, idle)) sum += of_load(night.states.back().level_w / idle_w);
  return sum;
}

double by_time(const DeviceStates& night, std::size_t idle) {
  double all_s = 0.0, idle_s = 0.0;
  for (std::size_t k = 0; k < night.states.size(); ++k) {
    all_s += night.states[k].time_s;
    if (is_idle(night, k, idle)) idle_s += night.states[k].time_s;
  }
  return held_weight * std::log(idle_s / all_s);
}

/// From 0, no boot, to 1: irregular work of so long, above and below the level it ends in.
double like_a_boot(const DeviceStates& night, const Transition& c) {
  if (c.irregular_s > longest_boot_s) return 0.0;
  const double to_w = *night.segments[c.to_segment].shown_w;
  if (!c.from_off && (c.from == no_state || night.states[c.from].level_w >= standby_share * to_w)) return 0.0;
  const double own_peak_w = to_w + noise_reach * night.regimes[c.to_segment].digest().standard_deviation_w;
  if (c.peak_w <= std::max(boot_peak * to_w, own_peak_w)) return 0.0;
  return std::clamp((c.irregular_s - no_boot_s) / (surely_boot_s - no_boot_s), 0.0, 1.0);
}

/// Some seconds above the level that follows, as a processor works until it is warm.
bool begins_with_peak(const DeviceStates& night, const Transition& c) {
  return c.irregular_s > 0.0 && c.irregular_s < longest_peak_s &&
         c.peak_w > boot_peak * *night.segments[c.to_segment].shown_w;
}

double by_order(const DeviceStates& night, std::size_t idle) {
  double peaks = 0.0, boots = 0.0, elsewhere = 0.0, loads_home = 0.0, loads_below = 0.0, loads_on = 0.0, wakes = 0.0,
         jumps = 0.0, slow = 0.0;
  const auto count = [](double& n) { n = std::min(n + 1.0, most_of_a_sort); };
  for (const Transition& c : night.transitions) {
    const bool rests_before = c.from_off || c.from < idle;
    const bool to_idle = is_idle(night, c.to, idle);
    if (rests_before) (to_idle ? boots : elsewhere) += like_a_boot(night, c);
    if (rests_before && c.to >= idle) count(to_idle ? wakes : jumps);
    if (c.from == no_state || c.from == c.to) continue;
    const bool from_idle = is_idle(night, c.from, idle);
    if (c.slowly && (c.from < idle) != (c.to < idle)) count(slow);
    if (from_idle && c.to > idle && !to_idle && begins_with_peak(night, c)) count(peaks);
    if (c.from > idle && !from_idle) count(to_idle ? loads_home : c.to < idle ? loads_below : loads_on);
  }
  return boot * std::min(boots, 1.0) + 0.5 * std::clamp(boots - 1.0, 0.0, most_of_a_sort) +
         boot_elsewhere * std::min(elsewhere, most_of_a_sort) + back_to_idle * loads_home + below_idle * loads_below +
         not_yet_idle * loads_on + wakes_to_idle * wakes + wakes_to_load * jumps + wakes_slowly * slow +
         load_peak * peaks;
}

/// What the device draws by itself: a level of this account's idle or of a standby below it.
bool at_rest(const DeviceStates& night, double level_w, std::size_t idle) {
  return std::any_of(night.states.begin(), night.states.begin() + static_cast<std::ptrdiff_t>(idle) + 1,
                     [&](const DeviceState& s) { return std::abs(level_w - s.level_w) <= charging_step * s.level_w; });
}

/// A charging curve ends at what the device draws by itself, and there it stays or sets to work.
double by_curves(const DeviceStates& night, std::size_t idle) {
  double sum = 0.0;
  for (const auto& [first, last] : night.charges) {
    if (last + 1 >= night.segments.size() || night.segments[last + 1].kind == SegmentKind::gap) continue;
    std::size_t next = last + 1;
    while (next < night.segments.size() && !night.segments[next].level_w) ++next;
    if (next == night.segments.size()) continue;
    const bool rest = night.segments[next].kind == SegmentKind::off || night.state_of[next] <= idle ||
                      at_rest(night, night.regimes[last].line_end_w, idle);
    sum += rest ? curve_ends_at_rest : curve_ends_elsewhere;
  }
  return sum;
}

/// The contract's half a step and 7 %; and one count of a still display, where that is no more than a fifth: one
/// level on the edge between two counts shows as either.
double idle_reach_w(double idle_w, double step_w) {
  return std::max({step_w / 2.0, idle_share * idle_w, std::min(step_w, still_share * idle_w)});
}

}  // namespace

bool may_be_idle(const DeviceStates& night, std::size_t state) {
  return state == 0 || night.states[state - 1].level_w < standby_share * night.states[state].level_w;
}

bool is_idle_level(const DeviceStates& night, double level_w, std::size_t idle) {
  const double idle_w = night.states[idle].level_w;
  return level_w - idle_w <= idle_reach_w(idle_w, night.step_w);
}

bool is_idle(const DeviceStates& night, std::size_t state, std::size_t idle) {
  return state >= idle && is_idle_level(night, night.states[state].level_w, idle);
}

double account_evidence(const DeviceStates& night, std::size_t idle) {
  return by_levels(night, idle) + by_time(night, idle) + by_order(night, idle) + by_curves(night, idle);
}

}  // namespace nightwatt
