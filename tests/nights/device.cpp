#include "device.hpp"

#include <algorithm>
#include <cmath>

namespace nightwatt::nights {

namespace {

/// Steps of 1 to 7 s anywhere between the two, around a level that the steps
/// are added to.
std::vector<std::pair<double, double>> irregular_steps(Random& random, double low_w, double high_w, double length_s) {
  std::vector<std::pair<double, double>> steps;
  for (double t = 0.0; t < length_s; t += random.uniform(1.0, 7.0))
    steps.emplace_back(t, random.uniform(low_w, high_w));
  return steps;
}

}  // namespace

Device::Device(Random& r, const DeviceClass& of, const Meter& meter) : random(r) {
  plan.meter = meter;
  // A level that its display cannot show is another subject: see the small
  // board.
  const double least_standby = std::max(of.least_standby_w, 1.2 * meter.step_w);
  standby_w = least_standby < of.most_standby_w ? random.log_uniform(least_standby, of.most_standby_w)
                                                : least_standby * random.uniform(1.0, 1.3);
  const double least_idle = std::max({of.least_idle_w, standby_w / 0.28, 3.5 * meter.step_w});
  idle_w = least_idle < of.most_idle_w ? random.log_uniform(least_idle, of.most_idle_w)
                                       : least_idle * random.uniform(1.0, 1.3);
  noise_share = random.log_uniform(0.001, 0.012);
  if (random.chance(0.6)) plan.noise_correlation_time_s = random.log_uniform(0.3, 60.0);
  // What is slow and large at once is no noise but a level that moves.
  if (plan.noise_correlation_time_s > 5.0) noise_share = std::min(noise_share, 0.006);
}

double Device::hold(double least_s, double most_s) {
  const double least = std::max(least_s, 15.0 * plan.meter.interval_s);
  return random.log_uniform(least, std::max(most_s, 3.0 * least));
}

bool Device::apart(double a_w, double b_w) const {
  return std::abs(a_w - b_w) >= std::max(0.12 * std::max(a_w, b_w), 1.5 * plan.meter.step_w);
}

Act& Device::add(Kind kind, double level_w, double length_s) {
  Act act;
  act.kind = kind;
  act.level_w = level_w;
  act.length_s = length_s;
  act.noise_w = kind == Kind::off || kind == Kind::gap ? 0.0 : noise_share * level_w;
  plan.acts.push_back(act);
  return plan.acts.back();
}

void Device::off(double length_s) {
  add(Kind::off, 0.0, length_s);
}

void Device::standby(double level_w, double length_s) {
  add(Kind::standby, level_w, length_s).noise_w = std::min(0.004, noise_share) * level_w;
}

void Device::boot() {
  const double length_s = random.uniform(15.0, 110.0);
  Act& act = add(Kind::unsteady, 0.0, length_s);
  act.noise_w = noise_share * idle_w;
  act.boot = true;
  act.steps = irregular_steps(random, 0.9 * idle_w, random.uniform(1.8, 3.2) * idle_w, length_s);
}

void Device::work(double low_w, double high_w, double length_s) {
  Act& act = add(Kind::unsteady, 0.0, length_s);
  act.noise_w = noise_share * low_w;
  act.steps = irregular_steps(random, low_w, high_w, length_s);
}

Act& Device::idle(double length_s) {
  return add(Kind::idle, idle_w * random.uniform(0.995, 1.005), length_s);
}

Act& Device::idle_with_bursts(double length_s) {
  Act& act = idle(length_s);
  add_bursts(act, random.log_uniform(60.0, 400.0), random.uniform(0.5, 2.5) * idle_w);
  return act;
}

void Device::add_bursts(Act& act, double every_s, double added_w) {
  // Where a reading is a mean, bursts in every other one are not told from the level.
  if (plan.meter.averages) every_s = std::max(every_s, 8.0 * plan.meter.interval_s);
  for (double t = random.uniform(0.0, every_s); t < act.length_s; t += every_s * random.uniform(0.6, 1.4)) {
    const double burst_s = random.uniform(3.0, 14.0);
    act.steps.emplace_back(t, added_w * random.uniform(0.7, 1.3));
    act.steps.emplace_back(t + burst_s, 0.0);
  }
}

Act& Device::load(double level_w, double length_s) {
  Act& act = add(Kind::plateau, level_w, length_s);
  act.noise_w *= random.uniform(1.0, 1.6);
  return act;
}

Act& Device::turbo(double level_w, double length_s) {
  Act& act = load(level_w, length_s);
  act.peak_s = random.uniform(3.0, 14.0);
  act.peak_w = random.uniform(0.1, 0.4) * level_w;
  return act;
}

Act& Device::settling(double level_w, double length_s) {
  Act& act = load(level_w, length_s);
  act.settle_tau_s = random.log_uniform(15.0, std::max(30.0, 0.2 * length_s));
  act.settle_w = random.uniform(-0.08, 0.15) * level_w;
  return act;
}

void Device::ramp(double from_w, double to_w, double length_s) {
  Act& act = add(Kind::ramp, from_w, length_s);
  act.end_level_w = to_w;
  act.ramp_s = length_s;
}

void Device::fast_turns(double length_s) {
  const double low_w = load_w(1.4, 3.0), high_w = low_w * random.uniform(1.3, 2.0);
  // Much longer in one than in the other would be a level with excursions.
  const double low_s = random.log_uniform(4.0, 35.0), high_s = low_s * random.log_uniform(0.65, 1.5);
  Act& act = add(Kind::plateau, low_w, length_s);
  act.turns = true;
  for (double t = 0.0; t < length_s;) {
    act.steps.emplace_back(t, high_w - low_w);
    t += high_s * random.uniform(0.95, 1.05);
    act.steps.emplace_back(t, 0.0);
    t += low_s * random.uniform(0.95, 1.05);
  }
}

void Device::charge(Kind on_top_of, double own_w, double charge_w) {
  const double flat_s = random.log_uniform(900.0, 5400.0), tau_s = random.log_uniform(300.0, 1500.0);
  const double stops_at = random.uniform(0.04, 0.10);  // a charger ends when the current has come down to so much
  Act& act = add(Kind::charging, own_w, flat_s - tau_s * std::log(stops_at));
  act.noise_w = noise_share * (own_w + charge_w);
  if (on_top_of == Kind::standby) act.noise_w *= 0.5;
  act.charge_w = charge_w;
  act.charge_flat_s = flat_s;
  act.charge_tau_s = tau_s;
}

void Device::gap(double length_s) {
  add(Kind::gap, 0.0, length_s);
}

double Device::load_w(double least_ratio, double most_ratio) {
  for (int attempt = 0; attempt < 50; ++attempt) {
    const double level_w = idle_w * random.log_uniform(least_ratio, most_ratio);
    if (apart(level_w, idle_w) && apart(level_w, last_w())) return level_w;
  }
  return std::max(idle_w, last_w()) * 1.5 + 2.0 * plan.meter.step_w;
}

}  // namespace nightwatt::nights
