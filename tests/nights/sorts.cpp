#include <algorithm>
#include <cmath>
#include <functional>
#include <stdexcept>

#include "device.hpp"

namespace nightwatt::nights {

namespace {

double one_of(Random& random, std::initializer_list<double> values) {
  return *(values.begin() + random.whole(0, static_cast<int>(values.size()) - 1));
}

Meter any_meter(Random& random, std::initializer_list<double> intervals_s) {
  Meter meter;
  meter.interval_s = one_of(random, intervals_s);
  meter.step_w = one_of(random, {0.01, 0.01, 0.1, 0.1, 0.1, 0.5, 1.0});
  meter.jitter = random.chance(0.5) ? random.uniform(0.0, 0.4) : 0.0;
  meter.declared = random.chance(0.5);
  meter.lost_share = random.chance(0.2) ? random.uniform(0.0, 0.02) : 0.0;
  return meter;
}

Meter usual_meter(Random& random) {
  return any_meter(random, {0.5, 1.0, 1.0, 1.0, 1.0, 2.0});
}

const DeviceClass& any_class(Random& random) {
  static constexpr const DeviceClass* all[] = {&board, &laptop, &laptop, &desktop, &desktop, &display, &server};
  return *all[random.whole(0, 6)];
}

/// Starts and ends somewhere within the first and the last thing the device
/// does.
void crop_edges(Device& device) {
  std::vector<Act>& acts = device.plan.acts;
  if (acts.size() < 2) return;
  const auto part = [&](const Act& act) {
    const double least_s = std::max(30.0, 15.0 * device.plan.meter.interval_s);
    return device.random.chance(0.5) ? device.random.uniform() * std::max(0.0, act.length_s - least_s) : 0.0;
  };
  const double from_begin = part(acts.front()), from_end = part(acts.back());
  device.plan = cropped(device.plan, from_begin, length_s(device.plan) - from_end);
}

void load_and_idle(Device& d) {
  const double level = d.load_w();
  switch (d.random.whole(0, 2)) {
    case 0:
      d.turbo(level, d.hold(60, 1500));
      break;
    case 1:
      d.settling(level, d.hold(150, 1500));
      break;
    default:
      d.load(level, d.hold(60, 1500));
  }
  d.idle(d.hold(60, 1200));
}

void begin_night(Device& d) {
  const bool from_off = d.random.chance(0.5);
  if (from_off) d.off(d.hold(40, 400));
  if (!from_off || d.random.chance(0.5)) d.standby(d.standby_w, d.hold(60, 900));
  d.boot();
  d.idle(d.hold(120, 1500));
}

void plain(Device& d) {
  begin_night(d);
  for (int n = d.random.whole(1, 3); n > 0; --n) load_and_idle(d);
  if (d.random.chance(0.5)) d.standby(d.standby_w, d.hold(60, 900));
  if (d.random.chance(0.5)) d.off(d.hold(40, 400));
}

void no_off(Device& d) {
  d.idle(d.hold(120, 1800));
  for (int n = d.random.whole(1, 3); n > 0; --n) {
    d.turbo(d.load_w(), d.hold(60, 1500));
    d.idle(d.hold(120, 1800));
  }
  crop_edges(d);
}

void second_half(Device& d) {
  plain(d);
  const double all_s = length_s(d.plan);
  d.plan = cropped(d.plan, d.random.uniform(0.3, 0.7) * all_s, all_s);
}

void repeats(Device& d) {
  if (d.random.chance(0.5))
    begin_night(d);
  else
    d.idle(d.hold(90, 900));
  const double level_w = d.load_w(1.35, 4.0);
  const double load_s = d.hold(65, 420), rest_s = d.hold(65, 500);
  const bool regular = d.random.chance(0.5), peaks = d.random.chance(0.3);
  for (int n = d.random.whole(5, 12); n > 0; --n) {
    const double vary = regular ? 0.01 : 0.35;
    const double length_s = std::max(62.0, load_s * d.random.uniform(1.0 - vary, 1.0 + vary));
    const double once_w = level_w * d.random.uniform(0.997, 1.003);
    if (peaks)
      d.turbo(once_w, length_s);
    else
      d.load(once_w, length_s);
    d.idle(std::max(62.0, rest_s * d.random.uniform(1.0 - vary, 1.0 + vary)));
  }
  crop_edges(d);
}

void timer(Device& d) {
  const double on_s = d.random.uniform(300, 1200), off_s = d.random.uniform(300, 1200);
  for (int n = d.random.whole(3, 10); n > 0; --n) {
    d.standby(d.standby_w, off_s * d.random.uniform(0.999, 1.001));
    d.idle(on_s * d.random.uniform(0.999, 1.001));
  }
  crop_edges(d);
}

void stair(Device& d, bool down) {
  if (d.random.chance(0.4))
    begin_night(d);
  else
    d.idle(d.hold(120, 1200));
  std::vector<double> levels = {d.idle_w * d.random.log_uniform(1.25, 3.5)};
  if (!d.apart(levels[0], d.idle_w)) levels[0] = d.idle_w + 2.0 * d.plan.meter.step_w;
  for (int n = d.random.whole(2, 4); n > 0; --n) {
    double next = levels.back() * d.random.uniform(1.16, 1.5);
    if (!d.apart(next, levels.back())) next = levels.back() + 2.0 * d.plan.meter.step_w;
    levels.push_back(next);
  }
  if (down) std::reverse(levels.begin(), levels.end());
  for (const double level_w : levels) d.load(level_w, d.hold(60, 700));
  d.idle(d.hold(120, 1200));
  crop_edges(d);
}

void stair_up(Device& d) {
  stair(d, false);
}
void stair_down(Device& d) {
  stair(d, true);
}

void throttled(Device& d, double high_w) {
  double low_w = high_w * d.random.uniform(0.75, 0.87);
  if (!d.apart(low_w, high_w)) low_w = high_w - 1.6 * d.plan.meter.step_w;
  if (d.random.chance(0.3))
    d.turbo(high_w, d.hold(150, 800));
  else
    d.load(high_w, d.hold(150, 800));
  d.load(low_w, d.hold(700, 3000));
}

void throttling(Device& d) {
  if (d.random.chance(0.5))
    begin_night(d);
  else
    d.idle(d.hold(200, 1500));
  throttled(d, d.idle_w * d.random.uniform(2.0, 5.0));
  d.idle(d.hold(200, 1500));
  if (d.random.chance(0.3)) load_and_idle(d);
  crop_edges(d);
}

void charging_on(Device& d) {
  d.charge(Kind::idle, d.idle_w, d.idle_w * d.random.uniform(2.0, 7.0));
  d.idle(d.hold(600, 2400));
  for (int n = d.random.whole(1, 2); n > 0; --n) load_and_idle(d);
}

void charging_off(Device& d) {
  d.charge(Kind::standby, d.standby_w, d.idle_w * d.random.uniform(2.0, 6.0));
  d.standby(d.standby_w, d.hold(400, 1800));
  d.boot();
  d.idle(d.hold(300, 1800));
  for (int n = d.random.whole(1, 2); n > 0; --n) load_and_idle(d);
}

void two_standbys(Device& d) {
  if (d.random.chance(0.5))
    begin_night(d);
  else
    d.idle(d.hold(300, 1500));
  load_and_idle(d);
  const double sleep_w = std::min(
      0.28 * d.idle_w, std::max(d.standby_w * d.random.uniform(1.8, 3.0), d.standby_w + 1.6 * d.plan.meter.step_w));
  d.standby(sleep_w, d.hold(600, 5400));
  d.idle(d.hold(200, 900));
  if (d.random.chance(0.5)) load_and_idle(d);
  d.standby(d.standby_w, d.hold(300, 3600));
}

void wake_ups(Device& d) {
  const double sleep_w = std::min(0.09 * d.idle_w, 3.5);
  const double awake_s = d.random.uniform(120, 300), every_s = d.random.uniform(800, 1900);
  d.idle(d.hold(200, 900));
  if (d.random.chance(0.7)) load_and_idle(d);
  for (int n = d.random.whole(4, 10); n > 0; --n) {
    d.standby(sleep_w, every_s - awake_s);
    d.idle(awake_s * d.random.uniform(0.9, 1.1));
  }
  if (d.random.chance(0.5)) d.standby(sleep_w, every_s - awake_s);
  crop_edges(d);
}

void small_board(Device& d) {
  d.plan.meter.step_w = 1.0;
  d.idle_w = d.random.uniform(0.55, 1.3);
  d.noise_share = d.random.uniform(0.05, 0.2) / d.idle_w;
  if (d.random.chance(0.7)) d.plan.noise_correlation_time_s = d.random.uniform(0.5, 5.0);
  const double high_w = d.idle_w + d.random.uniform(0.85, 1.6);
  d.idle(d.hold(1500, 4000));
  for (int n = d.random.whole(1, 3); n > 0; --n) {
    d.load(high_w, d.hold(900, 2500)).noise_w = d.noise_share * d.idle_w;
    d.idle(d.hold(1500, 4000));
  }
}

void close_idles(Device& d) {
  d.idle(d.hold(300, 2500));
  for (int n = d.random.whole(1, 4); n > 0; --n) {
    d.load(d.load_w(), d.hold(60, 900));
    d.idle(d.hold(100, 2500));
  }
}

void bursts(Device& d) {
  if (d.random.chance(0.5)) {
    d.off(d.hold(40, 400));
    d.boot();
  }
  d.idle_with_bursts(d.hold(1200, 7200));
  for (int n = d.random.whole(0, 2); n > 0; --n) {
    d.load(d.load_w(), d.hold(330, 1200));
    d.idle_with_bursts(d.hold(600, 5400));
  }
  crop_edges(d);
}

void short_holds(Device& d) {
  d.plan.meter.step_w = 1.0;
  d.idle_w = d.random.uniform(6.0, 25.0);
  for (int n = d.random.whole(1, 4); n > 0; --n) {
    d.idle(d.random.uniform(140, 210));
    d.load(d.load_w(), d.random.uniform(140, 210));
  }
  d.idle(d.random.uniform(140, 210));
}

void settling(Device& d) {
  if (d.random.chance(0.5))
    begin_night(d);
  else
    d.idle(d.hold(200, 1500));
  for (int n = d.random.whole(1, 3); n > 0; --n) {
    d.settling(d.load_w(), d.hold(300, 2500));
    Act& after = d.idle(d.hold(400, 2500));
    if (d.random.chance(0.5)) {
      after.settle_w = d.random.uniform(0.02, 0.10) * d.idle_w;
      after.settle_tau_s = d.random.log_uniform(10.0, 0.08 * after.length_s);
    }
  }
  crop_edges(d);
}

void ramps(Device& d) {
  if (d.random.chance(0.5))
    begin_night(d);
  else
    d.idle(d.hold(200, 1500));
  for (int n = d.random.whole(1, 3); n > 0; --n) {
    const double level_w = d.load_w(1.8, 5.0);
    d.ramp(d.idle_w, level_w, d.hold(40, 400));
    d.load(level_w, d.hold(150, 1200));
    if (d.random.chance(0.3)) d.ramp(level_w, d.idle_w, d.hold(40, 400));
    d.idle(d.hold(150, 1200));
  }
  crop_edges(d);
}

void work_day(Device& d) {
  begin_night(d);
  for (int n = d.random.whole(6, 16); n > 0; --n) {
    load_and_idle(d);
    if (d.random.chance(0.2)) {
      d.standby(d.standby_w, d.hold(600, 3600));
      d.work(d.idle_w, 1.8 * d.idle_w, d.random.uniform(4.0, 12.0));
      d.idle(d.hold(100, 900));
    }
    if (d.random.chance(0.15)) {
      d.work(1.3 * d.idle_w, 3.5 * d.idle_w, d.hold(90, 900));
      d.idle(d.hold(100, 900));
    }
  }
  if (d.random.chance(0.7)) d.standby(d.standby_w, d.hold(300, 3600));
}

void long_baseline(Device& d) {
  if (d.random.chance(0.5)) begin_night(d);
  if (d.random.chance(0.7))
    d.idle_with_bursts(d.random.uniform(4.0, 14.0) * 3600.0);
  else
    d.idle(d.random.uniform(4.0, 14.0) * 3600.0);
  if (d.random.chance(0.5)) load_and_idle(d);
}

void fast_turns(Device& d) {
  if (d.random.chance(0.5))
    begin_night(d);
  else
    d.idle(d.hold(200, 1500));
  for (int n = d.random.whole(1, 2); n > 0; --n) {
    d.fast_turns(d.hold(400, 1800));
    d.idle(d.hold(200, 1500));
  }
  crop_edges(d);
}

void gaps(Device& d) {
  const auto with_gap = [&](Act act) {
    const double first = act.length_s * d.random.uniform(0.35, 0.65);
    Act part = act;
    part.length_s = first;
    d.plan.acts.push_back(part);
    d.gap(std::max(6.0 * d.plan.meter.interval_s, 12.0) * d.random.log_uniform(1.2, 100.0));
    part.length_s = act.length_s - first;
    d.plan.acts.push_back(part);
  };
  begin_night(d);
  for (int n = d.random.whole(1, 4); n > 0; --n) {
    d.load(d.load_w(), d.hold(200, 1200));
    d.idle(d.hold(200, 1200));
    if (d.random.chance(0.6)) {
      const Act act = d.plan.acts.back();
      d.plan.acts.pop_back();
      with_gap(act);
    }
  }
}

/// Charging begins in the middle of the night.
void charging_later(Device& d) {
  if (d.random.chance(0.5))
    begin_night(d);
  else
    d.idle(d.hold(300, 1500));
  if (d.random.chance(0.5)) load_and_idle(d);
  d.charge(Kind::idle, d.idle_w, d.idle_w * d.random.uniform(2.0, 6.0));
  d.idle(d.hold(600, 2400));
  if (d.random.chance(0.7)) load_and_idle(d);
}

void long_sleep(Device& d) {
  begin_night(d);
  for (int n = d.random.whole(1, 4); n > 0; --n) load_and_idle(d);
  d.standby(d.standby_w, d.random.uniform(3.0, 8.0) * 3600.0);
  if (d.random.chance(0.5)) {
    d.work(d.idle_w, 1.8 * d.idle_w, d.random.uniform(4.0, 12.0));
    d.idle(d.hold(200, 900));
  }
}

void irregular_work(Device& d) {
  if (d.random.chance(0.6))
    begin_night(d);
  else
    d.idle(d.hold(200, 1500));
  for (int n = d.random.whole(1, 4); n > 0; --n) {
    d.work(1.2 * d.idle_w, d.random.uniform(2.0, 5.0) * d.idle_w, d.hold(90, 1500));
    d.idle(d.hold(120, 1500));
    if (d.random.chance(0.5)) load_and_idle(d);
  }
  crop_edges(d);
}

void one_level(Device& d) {
  const double length_s = d.hold(300, 9000);
  const bool with_bursts = d.random.chance(0.4);
  if (d.random.chance(0.3)) d.off(d.hold(40, 400));
  if (with_bursts)
    d.idle_with_bursts(length_s);
  else
    d.idle(length_s);
  if (d.random.chance(0.3)) d.off(d.hold(40, 400));
}

/// Work that goes from level to level and comes to idle only now and then.
void any_order(Device& d) {
  if (d.random.chance(0.5))
    begin_night(d);
  else
    d.idle(d.hold(120, 900));
  for (int n = d.random.whole(4, 12); n > 0; --n) {
    d.load(d.load_w(), d.hold(60, 900));
    if (d.random.chance(0.25)) d.idle(d.hold(100, 900));
  }
  d.idle(d.hold(120, 900));
  crop_edges(d);
}

/// Short departures up and down from every level.
void spikes(Device& d) {
  if (d.random.chance(0.5))
    begin_night(d);
  else
    d.idle(d.hold(300, 1500));
  for (int n = d.random.whole(1, 3); n > 0; --n) {
    d.load(d.load_w(), d.hold(200, 1500));
    d.idle(d.hold(200, 1500));
  }
  for (Act& act : d.plan.acts)
    if (act.kind == Kind::idle || act.kind == Kind::plateau)
      d.add_bursts(act, d.random.log_uniform(90.0, 500.0),
                   d.random.chance(0.3) ? -0.5 * act.level_w : 1.0 * act.level_w);
  crop_edges(d);
}

/// Anything after anything.
void phrase(Device& d, bool has_battery) {
  switch (d.random.whole(0, 9)) {
    case 0:
    case 1:
      load_and_idle(d);
      break;
    case 2:
      throttled(d, d.idle_w * d.random.uniform(2.0, 5.0));
      d.idle(d.hold(120, 1200));
      break;
    case 3: {
      const double level_w = d.load_w(), load_s = d.hold(65, 300), rest_s = d.hold(65, 300);
      for (int n = d.random.whole(3, 7); n > 0; --n) {
        d.load(level_w, load_s);
        d.idle(rest_s);
      }
      break;
    }
    case 4: {
      double level_w = d.load_w(1.35, 2.0);
      for (int n = d.random.whole(2, 4); n > 0; --n) {
        d.load(level_w, d.hold(60, 500));
        level_w = std::max(level_w * d.random.uniform(1.2, 1.5), level_w + 2.0 * d.plan.meter.step_w);
      }
      d.idle(d.hold(100, 900));
      break;
    }
    case 5: {
      double level_w = d.load_w(3.5, 5.0);
      while (level_w > 1.3 * d.idle_w && d.apart(level_w, d.idle_w)) {
        d.load(level_w, d.hold(60, 500));
        level_w = std::min(level_w * d.random.uniform(0.6, 0.84), level_w - 2.0 * d.plan.meter.step_w);
      }
      d.idle(d.hold(100, 900));
      break;
    }
    case 6:
      d.standby(d.standby_w, d.hold(300, 3600));
      if (d.random.chance(0.5))
        d.boot();
      else
        d.work(d.idle_w, 1.8 * d.idle_w, d.random.uniform(4.0, 12.0));
      d.idle(d.hold(100, 900));
      break;
    case 7:
      d.work(1.3 * d.idle_w, 3.5 * d.idle_w, d.hold(90, 900));
      d.idle(d.hold(100, 900));
      break;
    case 8: {
      const double level_w = d.load_w(1.8, 4.0);
      d.ramp(d.idle_w, level_w, d.hold(40, 300));
      d.settling(level_w, d.hold(200, 1200));
      d.idle(d.hold(100, 900));
      break;
    }
    default:
      if (has_battery) {
        d.charge(Kind::idle, d.idle_w, d.idle_w * d.random.uniform(2.0, 6.0));
        d.idle(d.hold(300, 1200));
      } else {
        d.load(d.load_w(), d.hold(60, 1200));
        d.idle_with_bursts(d.hold(600, 3600));
      }
  }
}

void mixture(Device& d) {
  const bool has_battery = d.random.chance(0.2);
  switch (d.random.whole(0, 3)) {
    case 0:
      d.load(d.load_w(), d.hold(60, 900));
      d.idle(d.hold(100, 1200));
      break;
    case 1:
      d.idle(d.hold(100, 1200));
      break;
    default:
      begin_night(d);
  }
  for (int n = d.random.whole(1, 6); n > 0; --n) phrase(d, has_battery);
  switch (d.random.whole(0, 4)) {
    case 0:
      d.off(d.hold(40, 900));
      break;
    case 1:
      d.standby(d.standby_w, d.hold(60, 1800));
      break;
    case 2:
      d.load(d.load_w(), d.hold(60, 900));
      break;
    default:
      break;
  }
  crop_edges(d);
}

/// The record begins and ends in the midst of something.
void anywhere(Device& d) {
  mixture(d);
  const double all_s = length_s(d.plan);
  d.plan = cropped(d.plan, d.random.uniform(0.0, 0.4) * all_s, d.random.uniform(0.6, 1.0) * all_s);
}

struct Sort {
  std::string name;
  void (*acts)(Device&);
  const DeviceClass* of;  ///< null: any
  Meter (*meter)(Random&);
};

Meter sparse_meter(Random& random) {
  return any_meter(random, {5.0, 10.0});
}
Meter very_sparse_meter(Random& random) {
  return any_meter(random, {20.0, 30.0, 60.0});
}
Meter quick_meter(Random& random) {
  return any_meter(random, {0.2, 0.25, 0.5});
}
Meter second_meter(Random& random) {
  return any_meter(random, {0.5, 1.0});
}
Meter fine_meter(Random& random) {
  Meter meter = usual_meter(random);
  meter.step_w = std::min(meter.step_w, 0.1);
  return meter;
}
Meter truncating_meter(Random& random) {
  Meter meter = usual_meter(random);
  meter.truncates = true;
  meter.declared = true;
  return meter;
}
Meter averaging_meter(Random& random) {
  Meter meter = any_meter(random, {1.0, 1.0, 2.0, 5.0, 10.0, 30.0});
  meter.averages = true;
  return meter;
}
Meter slow_meter(Random& random) {
  return any_meter(random, {1.0, 2.0, 10.0});
}

const std::vector<Sort>& sorts() {
  static const std::vector<Sort> all = {
      {"plain", plain, nullptr, usual_meter},
      {"turbo-no-off", no_off, nullptr, usual_meter},
      {"second-half", second_half, nullptr, usual_meter},
      {"repeats", repeats, nullptr, usual_meter},
      {"timer", timer, &display, fine_meter},
      {"stair-down", stair_down, nullptr, usual_meter},
      {"stair-up", stair_up, nullptr, usual_meter},
      {"sparse", mixture, nullptr, sparse_meter},
      {"very-sparse", mixture, nullptr, very_sparse_meter},
      {"charging-on", charging_on, &laptop, fine_meter},
      {"charging-later", charging_later, &laptop, fine_meter},
      {"charging-off", charging_off, &laptop, fine_meter},
      {"two-standbys", two_standbys, &desktop, fine_meter},
      {"long-sleep", long_sleep, nullptr, slow_meter},
      {"wake-ups", wake_ups, &desktop, fine_meter},
      {"small-board", small_board, &board, second_meter},
      {"close-idles", close_idles, nullptr, usual_meter},
      {"bursts", bursts, nullptr, usual_meter},
      {"spikes", spikes, nullptr, usual_meter},
      {"one-level", one_level, nullptr, usual_meter},
      {"any-order", any_order, nullptr, usual_meter},
      {"irregular-work", irregular_work, nullptr, usual_meter},
      {"throttling", throttling, nullptr, usual_meter},
      {"short-holds", short_holds, nullptr, second_meter},
      {"settling", settling, nullptr, usual_meter},
      {"ramps", ramps, nullptr, usual_meter},
      {"work-day", work_day, nullptr, usual_meter},
      {"long-baseline", long_baseline, nullptr, slow_meter},
      {"fast-turns", fast_turns, nullptr, second_meter},
      {"gaps", gaps, nullptr, usual_meter},
      {"quick", no_off, nullptr, quick_meter},
      {"server", plain, &server, usual_meter},
      {"truncating", plain, nullptr, truncating_meter},
      {"averaging", mixture, nullptr, averaging_meter},
      {"anywhere", anywhere, nullptr, usual_meter},
      {"mixture", mixture, nullptr, usual_meter},
  };
  return all;
}

}  // namespace

const std::vector<std::string>& sort_names() {
  static const std::vector<std::string> names = [] {
    std::vector<std::string> list;
    for (const Sort& sort : sorts()) list.push_back(sort.name);
    return list;
  }();
  return names;
}

Night make_night(std::string_view sort, std::uint64_t seed) {
  const auto found = std::find_if(sorts().begin(), sorts().end(), [&](const Sort& s) { return s.name == sort; });
  if (found == sorts().end()) throw std::invalid_argument("no sort of nights is called " + std::string(sort));
  std::uint64_t of_sort = 14695981039346656037ULL;  // FNV-1a: the same seed is another night in
                                                    // another sort
  for (const char c : sort)
    of_sort = (of_sort ^ static_cast<std::uint64_t>(static_cast<unsigned char>(c))) * 1099511628211ULL;
  Random random(seed ^ of_sort);
  const Meter meter = found->meter(random);
  Device device(random, found->of != nullptr ? *found->of : any_class(random), meter);
  found->acts(device);
  Night night;
  night.sort = found->name;
  night.seed = seed;
  night.plan = std::move(device.plan);
  night.readings = play(night.plan, seed ^ of_sort);
  night.truth = truth_of(night.plan);
  return night;
}

}  // namespace nightwatt::nights
