#include "segment/kinds.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <optional>
#include <utility>

#include "measure/segment/states.hpp"
#include "measure/signal/advice.hpp"
#include "segment/account_evidence.hpp"
#include "segment/charging.hpp"

namespace nightwatt {

namespace {

// The contract's.
constexpr double off_share = 0.25;            // of a display step: most of what is shown is 0
constexpr double truncated_off_share = 0.02;  // a display that cuts off shows 0 up to a whole step

constexpr double curve_unexplained = -2.0;  // log-odds: a falling curve that is no battery
constexpr double near = 1.5;                // a second account within this is told
constexpr double working_share = 0.90;      // of the lowest steady level: below it the device was seen working lower
constexpr double longest_dip = 2.0;         // shortest segments: one that departs, and what is too short before it
constexpr double small_standby_w = 3.0;

/// Which state is idle, and which reading of the falling curves says so.
struct Account {
  const DeviceStates* night = nullptr;
  std::size_t idle = 0;
  double score = 0.0;
};

double off_limit_w(const ClassifyInput& input) {
  const MeterTraits& traits = input.settings.traits;
  const double share = traits.rounding == Rounding::truncates ? truncated_off_share : off_share;
  return traits.starting_w.value_or(input.learnt.step_w * share);
}

void name_off(std::vector<Segment>& segments, const ClassifyInput& input) {
  const bool told = input.settings.traits.starting_w.has_value();
  const double limit_w = off_limit_w(input);
  // A level near the limit would be off in one hour and on in the next: all such of a run are judged as one.
  double time_s = 0.0, sum = 0.0;
  const auto close = [&](const Segment& g) { return !told && std::abs(*g.shown_w - limit_w) <= limit_w / 2.0; };
  for (const Segment& g : segments) {
    if (!g.level_w || !close(g)) continue;
    time_s += length_s(g);
    sum += length_s(g) * *g.shown_w;
  }
  const bool close_is_off = time_s > 0.0 && sum / time_s <= limit_w;
  for (Segment& g : segments)
    if (g.level_w && (close(g) ? close_is_off : *g.shown_w <= limit_w)) g.kind = SegmentKind::off;
}

/// Likeliest first.
std::vector<Account> accounts_of(std::span<const DeviceStates> nights) {
  std::vector<Account> accounts;
  for (const DeviceStates& night : nights) {
    const std::size_t unexplained = nights.back().charges.size() - night.charges.size();
    for (std::size_t k = 0; k < night.states.size(); ++k)
      if (may_be_idle(night, k))
        accounts.push_back(
            {&night, k, account_evidence(night, k) + curve_unexplained * static_cast<double>(unexplained)});
  }
  std::stable_sort(accounts.begin(), accounts.end(),
                   [](const Account& a, const Account& b) { return a.score > b.score; });
  return accounts;
}

/// After the first level of the working device it worked well below its lowest one, but never 20 s at one power.
bool seen_working_below(const Account& best, const ClassifyInput& input) {
  const DeviceStates& night = *best.night;
  const std::span<const Segment> segments = night.segments;
  const auto comes_back = [&](const Transition& c) {
    return c.from != no_state && c.from > best.idle && !is_idle(night, c.from, best.idle) &&
           is_idle(night, c.to, best.idle);
  };
  const bool come_back = std::any_of(night.transitions.begin(), night.transitions.end(), comes_back);
  const auto rests = [&](std::size_t i) {
    return segments[i].kind == SegmentKind::off || night.state_of[i] < best.idle;
  };
  bool begun = false;
  for (std::size_t i = 0; i < segments.size(); ++i) {
    const Segment& g = segments[i];
    begun = begun || (night.state_of[i] != no_state && night.state_of[i] >= best.idle);
    if (!begun || g.kind != SegmentKind::unsteady) continue;
    const bool beside_rest = (i + 1 < segments.size() && rests(i + 1)) || (i > 0 && rests(i - 1));
    // A level that the device comes back to from its loads is one that it rests at: what is short beside it departs.
    const bool departs = come_back && length_s(g) < longest_dip * input.settings.shortest_segment_s;
    if (!beside_rest && !departs &&
        *g.mean_w<working_share * night.states[best.idle].level_w&& * g.mean_w >= small_standby_w&& * g.lowest_w>
             off_limit_w(input))
      return true;
  }
  return false;
}

std::string level_text(double level_w) {
  std::array<char, 32> text{};
  std::snprintf(text.data(), text.size(), level_w < 10.0 ? "%.2f W" : "%.1f W", level_w);
  return text.data();
}

/// Another account of the same charges that is nearly as likely as the first.
std::optional<std::string> runner_up(std::span<const Account> accounts) {
  const auto& [night, idle, score] = accounts.front();
  for (const Account& other : accounts) {
    if (other.score < score - near || other.night != night || other.idle == idle) continue;
    const auto at = std::find(night->state_of.begin(), night->state_of.end(), other.idle) - night->state_of.begin();
    return with_advice(
        "the record does not tell for sure which level is idle: " + level_text(night->states[idle].level_w) +
            " is taken for it, and " + level_text(night->states[other.idle].level_w) + " is nearly as likely",
        "if the other is the idle one, nightwatt mark idle --kind idle --at " +
            std::to_string(night->segments[static_cast<std::size_t>(at)].begin.us / 1'000'000) +
            " --run RUN, with this run's number for RUN");
  }
  return std::nullopt;
}

/// `no_idle`: what would be idle is a level among others.
void name(std::vector<Segment>& segments, const Account& best, bool no_idle) {
  for (std::size_t i = 0; i < segments.size(); ++i) {
    Segment& g = segments[i];
    if (is_within(best.night->charges, i))
      g.kind = SegmentKind::charging;
    else if (!holds_power(g))
      continue;
    else if (best.night->state_of[i] < best.idle)
      g.kind = SegmentKind::standby;
    else
      g.kind = !no_idle && is_idle_level(*best.night, *g.shown_w, best.idle) ? SegmentKind::idle : SegmentKind::plateau;
  }
}

void apply(const KindMark& mark, std::vector<Segment>& segments) {
  for (Segment& g : segments)
    if (g.begin <= mark.at && (mark.at < g.end || (&g == &segments.back() && mark.at == g.end))) g.kind = mark.kind;
}

}  // namespace

std::vector<std::string> name_kinds(std::vector<Segment>& segments, std::span<const Regime> regimes,
                                    const ClassifyInput& input) {
  std::vector<std::string> warnings;
  name_off(segments, input);
  // What falls like a battery's curve is none, or all of it is.
  std::vector<DeviceStates> nights = {device_states(segments, regimes, {}, input)};
  if (std::vector<Charge> charges = find_charges(segments, regimes); !charges.empty())
    nights.push_back(device_states(segments, regimes, std::move(charges), input));
  if (const std::vector<Account> accounts = accounts_of(nights); !accounts.empty()) {
    const bool lower = seen_working_below(accounts.front(), input);
    if (lower)
      warnings.push_back(with_advice(
          "the device drew less than its lowest steady level at times, but never held one power long enough "
          "there: no idle level can be quoted",
          "leave it alone until nightwatt status says idle"));
    name(segments, accounts.front(), lower);
    if (std::optional<std::string> other = runner_up(accounts)) warnings.push_back(std::move(*other));
  }
  for (const KindMark& mark : input.marks) apply(mark, segments);
  return warnings;
}

}  // namespace nightwatt
