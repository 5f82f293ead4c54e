#include <algorithm>
#include <cmath>

#include "night.hpp"
#include "random.hpp"

namespace nightwatt::nights {

std::string_view kind_name(Kind kind) {
  static constexpr std::string_view names[] = {"off",     "standby",  "idle",     "ramp",
                                               "plateau", "charging", "unsteady", "gap"};
  return names[static_cast<std::size_t>(kind)];
}

double own_level_w(const Act& act, double since_s) {
  double p = act.level_w;
  if (act.kind == Kind::ramp) p += (act.end_level_w - act.level_w) * since_s / act.ramp_s;
  if (act.settle_w != 0.0) p += act.settle_w * std::exp(-since_s / act.settle_tau_s);
  return p;
}

double power_w(const Act& act, double since_s) {
  double p = own_level_w(act, since_s);
  if (since_s < act.peak_s) p += act.peak_w;
  if (act.charge_w > 0.0) p += act.charge_w * std::exp(-std::max(0.0, since_s - act.charge_flat_s) / act.charge_tau_s);
  const auto after = std::upper_bound(act.steps.begin(), act.steps.end(), since_s,
                                      [](double s, const auto& step) { return s < step.first; });
  if (after != act.steps.begin()) p += std::prev(after)->second;
  return p;
}

double length_s(const Plan& plan) {
  double sum = 0.0;
  for (const Act& act : plan.acts) sum += act.length_s - act.skip_s;
  return sum;
}

Plan cropped(const Plan& plan, double from_s, double to_s) {
  Plan kept = plan;
  kept.acts.clear();
  double begin = 0.0;
  for (const Act& whole : plan.acts) {
    const double end = begin + whole.length_s - whole.skip_s;
    if (std::min(end, to_s) > std::max(begin, from_s)) {
      Act act = whole;
      act.skip_s += std::max(0.0, from_s - begin);
      act.length_s -= std::max(0.0, end - to_s);
      kept.acts.push_back(act);
    }
    begin = end;
  }
  return kept;
}

namespace {

/// What the device draws at an instant of the night that lies in its act `i` or before.
double power_at(const std::vector<Act>& acts, std::size_t i, double begin_s, double t) {
  while (i > 0 && t < begin_s) {
    --i;
    begin_s -= acts[i].length_s - acts[i].skip_s;
  }
  return power_w(acts[i], std::max(0.0, t - begin_s) + acts[i].skip_s);
}

double mean_since(const std::vector<Act>& acts, std::size_t i, double begin_s, double from_s, double to_s) {
  constexpr int parts = 10;
  double sum = 0.0;
  for (int k = 0; k < parts; ++k) sum += power_at(acts, i, begin_s, from_s + (to_s - from_s) * (k + 0.5) / parts);
  return sum / parts;
}

}  // namespace

std::vector<std::pair<std::int64_t, double>> play(const Plan& plan, std::uint64_t seed) {
  Random random(seed ^ 0x706c6179ULL);
  const Meter& meter = plan.meter;
  const double keep =
      plan.noise_correlation_time_s > 0.0 ? std::exp(-meter.interval_s / plan.noise_correlation_time_s) : 0.0;
  const double fresh = std::sqrt(1.0 - keep * keep);
  std::vector<std::pair<std::int64_t, double>> readings;
  double noise = random.normal();
  double t = random.uniform() * meter.interval_s;
  double begin = 0.0;
  for (std::size_t i = 0; i < plan.acts.size(); ++i) {
    const Act& act = plan.acts[i];
    const double end = begin + act.length_s - act.skip_s;
    for (; t < end; t += meter.interval_s) {
      const double at = std::max(0.0, t + (random.uniform() - 0.5) * meter.jitter * meter.interval_s);
      noise = keep * noise + fresh * random.normal();
      if (act.kind == Kind::gap || (meter.lost_share > 0.0 && random.chance(meter.lost_share))) continue;
      const double device_w =
          meter.averages ? mean_since(plan.acts, i, begin, t - meter.interval_s, t) : power_at(plan.acts, i, begin, t);
      // The jitter may move a reading over the edge: what it shows belongs to
      // where its turn was.
      double p = std::max(0.0, device_w + noise * act.noise_w);
      const double counts = p / meter.step_w;
      p = (meter.truncates ? std::floor(counts + 1e-9) : std::round(counts)) * meter.step_w;
      readings.emplace_back(std::llround(at * 1e6), p);
    }
    begin = end;
  }
  return readings;
}

}  // namespace nightwatt::nights
