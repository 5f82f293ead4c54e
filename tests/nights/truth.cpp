// What a careful reader of the outside contract would say of a night, and where
// the contract leaves it to the order of events whether the record gives that
// order.
#include <algorithm>
#include <cmath>
#include <limits>

#include "night.hpp"

namespace nightwatt::nights {

namespace {

constexpr double least_level_s = 20.0;         // the contract's shortest segment
constexpr double least_level_readings = 12.5;  // twelve, and where the first falls is chance

/// A part of the true night that was held: its act, when, and its level if it
/// has one.
struct Part {
  const Act* act = nullptr;
  double begin_s = 0.0;
  double end_s = 0.0;
  bool seen = false;  ///< held long enough, and read often enough
  double level_w = 0.0;
  [[nodiscard]] double length_s() const { return end_s - begin_s; }
  [[nodiscard]] bool is(Kind kind) const { return act->kind == kind; }
};

double mean_w(const Act& act, double from_s, double to_s, bool with_all) {
  const int n = 2000;
  double sum = 0.0;
  for (int i = 0; i < n; ++i) {
    const double since = from_s + (to_s - from_s) * (i + 0.5) / n;
    sum += with_all ? power_w(act, since) : own_level_w(act, since);
  }
  return sum / n;
}

std::vector<Part> parts_of(const Plan& plan) {
  std::vector<Part> parts;
  double begin = 0.0;
  for (const Act& act : plan.acts) {
    Part part;
    part.act = &act;
    part.begin_s = begin;
    part.end_s = begin + act.length_s - act.skip_s;
    const double readings = part.length_s() / plan.meter.interval_s * (1.0 - plan.meter.lost_share);
    part.seen = part.length_s() >= least_level_s && readings >= least_level_readings;
    // Of work in turns the level is the mean of whole cycles; bursts upon idle
    // are excursions and left out.
    const bool turns = act.turns;
    const double from = turns ? act.skip_s : act.skip_s + part.length_s() / 3.0;
    part.level_w = mean_w(act, from, act.length_s, turns);
    if (act.kind == Kind::charging) part.level_w = act.level_w;
    parts.push_back(part);
    begin = part.end_s;
  }
  return parts;
}

bool has_level(Kind kind) {
  return kind == Kind::off || kind == Kind::standby || kind == Kind::idle || kind == Kind::plateau;
}

TrueSegment segment_of(const Part& part, const Meter& meter) {
  const double edge_s = std::max(3.0, 2.5 * meter.interval_s);
  TrueSegment segment;
  segment.kind = part.act->kind;
  segment.begin_s = part.begin_s;
  segment.end_s = part.end_s;
  segment.judged = part.seen;
  if (part.is(Kind::gap)) segment.judged = part.length_s() > 1.1 * std::max(10.0, 5.0 * meter.interval_s);
  if (has_level(part.act->kind) && part.seen) segment.level_w = part.level_w;
  segment.unclear_until_s = part.begin_s + edge_s + std::max(0.0, part.act->peak_s - part.act->skip_s);
  segment.unclear_from_s = part.end_s - edge_s;
  if (part.is(Kind::charging)) {
    const Act& act = *part.act;
    // Where its curve comes down to the device's own level is a matter of
    // opinion.
    const double little_w = std::max({0.15 * act.level_w, 1.5 * meter.step_w, 0.08 * act.charge_w});
    const double since = act.charge_flat_s + act.charge_tau_s * std::log(std::max(1.0, act.charge_w / little_w));
    segment.unclear_from_s = std::min(segment.unclear_from_s, part.begin_s + since - act.skip_s);
  }
  return segment;
}

// ---- does the record tell which level is which?

struct Evidence {
  bool boot_to_idle = false;
  int returns = 0;  ///< loads that began at idle and came back to it
  int bursts = 0;   ///< of idle, from each of which it came back
};

bool is_work(const Part& part) {
  return part.is(Kind::plateau) || part.is(Kind::ramp) || part.is(Kind::unsteady);
}

/// A start-up that shows: a low level before it, enough readings of it, and
/// idle after it.
bool shows_boot(const std::vector<Part>& parts, std::size_t i, const Meter& meter) {
  const Part& boot = parts[i];
  if (!boot.act->boot || boot.act->skip_s > 0.0 || boot.length_s() < 12.0) return false;
  if (boot.length_s() / meter.interval_s < 8.0 || i == 0 || i + 1 >= parts.size()) return false;
  const Part& before = parts[i - 1];
  return (before.is(Kind::off) || before.is(Kind::standby)) && before.seen && parts[i + 1].is(Kind::idle) &&
         parts[i + 1].seen;
}

Evidence evidence_of(const std::vector<Part>& parts, const Meter& meter) {
  Evidence evidence;
  for (std::size_t i = 0; i < parts.size(); ++i) {
    if (shows_boot(parts, i, meter)) evidence.boot_to_idle = true;
    if (!parts[i].is(Kind::idle) || !parts[i].seen) continue;
    for (const auto& [since, added] : parts[i].act->steps)
      if (added > 0.0 && meter.interval_s <= 2.0 && since > parts[i].act->skip_s) ++evidence.bursts;
    std::size_t j = i + 1;
    bool held = false;
    for (; j < parts.size() && is_work(parts[j]); ++j) held = held || (parts[j].is(Kind::plateau) && parts[j].seen);
    if (held && j < parts.size() && parts[j].is(Kind::idle) && parts[j].seen) ++evidence.returns;
  }
  return evidence;
}

double mean_idle_w(const std::vector<Part>& parts) {
  double time = 0.0, sum = 0.0;
  for (const Part& part : parts) {
    if (!part.is(Kind::idle) || !part.seen) continue;
    time += part.length_s();
    sum += part.length_s() * part.level_w;
  }
  return time > 0.0 ? sum / time : 0.0;
}

bool alike(double a_w, double b_w) {
  return std::abs(a_w - b_w) <= 0.05 * std::max(a_w, b_w);
}

bool tells_idle(const std::vector<Part>& parts, const Evidence& evidence, double idle_w) {
  double lowest_load = std::numeric_limits<double>::infinity();
  for (const Part& part : parts)
    if (part.is(Kind::plateau)) lowest_load = std::min(lowest_load, part.level_w);
  if (evidence.boot_to_idle || evidence.bursts >= 4 || std::isinf(lowest_load)) return true;
  if (idle_w >= 0.45 * lowest_load) return true;  // no standby is as near to the level it is a standby of
  return idle_w >= 0.15 * lowest_load && (evidence.returns >= 2 || (evidence.returns >= 1 && idle_w >= 5.0));
}

bool tells_standby(const std::vector<Part>& parts, const Evidence& evidence, double standby_w, double idle_w,
                   const Meter& meter) {
  if (standby_w > 0.35 * idle_w) return false;
  int turns = 0;
  for (std::size_t i = 0; i < parts.size(); ++i) {
    if (!parts[i].is(Kind::standby) || !alike(parts[i].level_w, standby_w)) continue;
    if (i + 1 < parts.size() && shows_boot(parts, i + 1, meter)) return true;
    if (i + 1 < parts.size() && parts[i].seen && parts[i + 1].is(Kind::idle) && parts[i + 1].seen) ++turns;
  }
  if (standby_w <= 5.0 && standby_w <= 0.3 * idle_w && evidence.returns >= 1) return true;
  return standby_w <= 4.0 && standby_w <= 0.12 * idle_w && turns >= 3;
}

/// Empty if the record tells; else why it does not.
std::string why_unclear(const std::vector<Part>& parts, const Meter& meter) {
  const double idle_w = mean_idle_w(parts);
  if (idle_w <= 0.0) return "no idle was held";
  const Evidence evidence = evidence_of(parts, meter);
  if (!tells_idle(parts, evidence, idle_w)) return "its idle may be another's standby";
  for (const Part& part : parts) {
    if (part.is(Kind::standby) && part.seen && !tells_standby(parts, evidence, part.level_w, idle_w, meter))
      return "its standby may be an idle";
    if (!part.is(Kind::charging)) continue;
    const Act& act = *part.act;
    const double full_s = act.charge_flat_s + act.charge_tau_s * std::log(1.0 / 0.10);
    if (act.skip_s > act.charge_flat_s || act.length_s < full_s) return "a charging curve is not whole";
  }
  return "";
}

// ---- the figures

TrueFigure none() {
  return {true, std::nullopt};
}

TrueFigure idle_figure(const std::vector<Part>& parts) {
  const double idle_w = mean_idle_w(parts);
  return idle_w > 0.0 ? TrueFigure{true, idle_w} : TrueFigure{};
}

TrueFigure load_figure(const std::vector<Part>& parts) {
  constexpr double long_enough_s = 120.0, margin_s = 15.0;
  double held_w = 0.0, any_w = 0.0, doubtful_w = 0.0;
  bool any = false;
  for (const Part& part : parts) {
    if (!part.is(Kind::plateau)) continue;
    if (!part.seen) return {};
    any = true;
    any_w = std::max(any_w, part.level_w);
    if (part.length_s() >= long_enough_s + margin_s)
      held_w = std::max(held_w, part.level_w);
    else if (part.length_s() > long_enough_s - margin_s)
      doubtful_w = std::max(doubtful_w, part.level_w);
  }
  if (!any) return none();
  if (doubtful_w > held_w) return {};
  return {true, held_w > 0.0 ? held_w : any_w};
}

TrueFigure standby_figure(const std::vector<Part>& parts) {
  struct State {
    double level_w, time_s;
  };
  std::vector<State> states;
  bool any = false;
  for (const Part& part : parts) {
    if (!part.is(Kind::standby)) continue;
    any = true;
    if (!part.seen) continue;
    const auto same =
        std::find_if(states.begin(), states.end(), [&](const State& s) { return alike(s.level_w, part.level_w); });
    if (same == states.end())
      states.push_back({part.level_w, part.length_s()});
    else
      same->time_s += part.length_s();
  }
  if (!any) return none();
  if (states.empty()) return {};
  std::sort(states.begin(), states.end(), [](const State& a, const State& b) { return a.time_s > b.time_s; });
  if (states.size() > 1 && states[1].time_s > 0.85 * states[0].time_s) return {};
  return {true, states[0].level_w};
}

struct Work {
  double least_s = 0.0;  ///< its plateaus alone
  double most_s = 0.0;   ///< with what lies between them
  double last_w = 0.0;
  double after_s = 0.0;  ///< what follows the last plateau
  bool sure = true;
};

std::vector<Work> regimes_of_work(const std::vector<Part>& parts) {
  std::vector<Work> all;
  bool going = false;
  for (const Part& part : parts) {
    if (part.act->boot || !is_work(part)) {
      if (going && part.is(Kind::gap)) all.back().sure = false;
      going = false;
      continue;
    }
    if (!going) all.emplace_back();
    going = true;
    Work& work = all.back();
    work.most_s += part.length_s();
    if (part.is(Kind::unsteady)) work.sure = false;
    work.after_s = part.is(Kind::plateau) ? 0.0 : work.after_s + part.length_s();
    if (!part.is(Kind::plateau)) continue;
    work.least_s += part.length_s();
    work.last_w = part.level_w;
    if (!part.seen) work.sure = false;
  }
  return all;
}

TrueFigure sustained_figure(const std::vector<Part>& parts) {
  constexpr double least_s = 600.0, margin = 0.05;
  const std::vector<Work> all = regimes_of_work(parts);
  const Work* longest = nullptr;
  for (const Work& work : all)
    if (longest == nullptr || work.most_s > longest->most_s) longest = &work;
  if (longest == nullptr || longest->most_s < least_s * (1.0 - margin)) return none();
  constexpr double longest_way_s = 30.0;  // what ends in a long way down: did it end at the plateau before it?
  if (!longest->sure || longest->after_s > longest_way_s || longest->least_s < least_s * (1.0 + margin)) return {};
  for (const Work& work : all)
    if (work.most_s > 0.9 * longest->least_s && std::abs(work.last_w - longest->last_w) > 0.003 * longest->last_w)
      return {};
  return {true, longest->last_w};
}

/// From one idle to another, with the departures of five minutes and less
/// between.
struct Span {
  std::size_t first = 0, last = 0;  ///< parts
  double begin_s = 0.0, end_s = 0.0;
  [[nodiscard]] double length_s() const { return end_s - begin_s; }
};

std::optional<std::vector<Span>> spans_at_idle(const std::vector<Part>& parts) {
  constexpr double longest_departure_s = 300.0, margin_s = 30.0;
  std::vector<Span> spans;
  for (std::size_t i = 0; i < parts.size(); ++i) {
    if (!parts[i].is(Kind::idle)) continue;
    const bool first = spans.empty();
    if (!first) {
      const double away_s = parts[i].begin_s - spans.back().end_s;
      bool only_work = true;
      for (std::size_t k = spans.back().last + 1; k < i; ++k)
        only_work = only_work && is_work(parts[k]) && !parts[k].act->boot;
      if (away_s < longest_departure_s + margin_s) {
        if (!only_work || away_s > longest_departure_s - margin_s) return std::nullopt;
        spans.back().last = i;
        spans.back().end_s = parts[i].end_s;
        continue;
      }
    }
    spans.push_back({i, i, parts[i].begin_s, parts[i].end_s});
  }
  return spans;
}

double mean_over_w(const std::vector<Part>& parts, const Span& span) {
  double sum = 0.0;
  for (std::size_t i = span.first; i <= span.last; ++i) {
    const Act& act = *parts[i].act;
    const int n = std::max(100, static_cast<int>(parts[i].length_s() * 4.0));
    double part = 0.0;
    for (int k = 0; k < n; ++k) part += power_w(act, act.skip_s + parts[i].length_s() * (k + 0.5) / n);
    sum += part / n * parts[i].length_s();
  }
  return sum / span.length_s();
}

TrueFigure baseline_figure(const std::vector<Part>& parts) {
  constexpr double least_s = 300.0;
  const std::optional<std::vector<Span>> spans = spans_at_idle(parts);
  if (!spans || spans->empty()) return {};
  const Span* longest = &spans->front();
  for (const Span& span : *spans)
    if (span.length_s() > longest->length_s()) longest = &span;
  if (longest->length_s() < least_s || !parts[longest->first].seen) return {};
  const double value = mean_over_w(parts, *longest);
  for (const Span& span : *spans)
    if (span.length_s() > 0.9 * longest->length_s() && std::abs(mean_over_w(parts, span) - value) > 0.003 * value)
      return {};
  return {true, value};
}

}  // namespace

Truth truth_of(const Plan& plan) {
  const std::vector<Part> parts = parts_of(plan);
  Truth truth;
  for (const Part& part : parts) truth.segments.push_back(segment_of(part, plan.meter));
  truth.why_not = why_unclear(parts, plan.meter);
  truth.kinds_judged = truth.why_not.empty();
  if (!truth.kinds_judged) return truth;
  const auto figure = [&](FigureName name) -> TrueFigure& { return truth.figures[static_cast<std::size_t>(name)]; };
  figure(FigureName::idle) = idle_figure(parts);
  figure(FigureName::load) = load_figure(parts);
  figure(FigureName::standby) = standby_figure(parts);
  figure(FigureName::sustained) = sustained_figure(parts);
  figure(FigureName::baseline) = baseline_figure(parts);
  return truth;
}

}  // namespace nightwatt::nights
