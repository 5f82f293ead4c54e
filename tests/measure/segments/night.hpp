// Seeded nights with known truth: what a device does, what a meter shows of it.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <optional>
#include <random>
#include <utility>
#include <vector>

#include "measure/segment/segmenter.hpp"

namespace nightwatt::night {

/// One thing the device does. Noise is AR(1) per second of time.
struct Act {
  SegmentKind kind = SegmentKind::idle;  ///< what a careful person would call it
  double length_s = 600.0;
  double level_w = 10.0;
  double end_level_w = -1.0;   ///< of a ramp; < 0: steady
  double settle_w = 0.0;       ///< starts this much away from level_w ...
  double settle_tau_s = 60.0;  ///< ... and decays
  double noise_w = 0.02;
  double correlation = 0.3;  ///< of readings 1 s apart
  double wander_w = 0.0;     ///< irregular work: uniform steps of this size every few seconds
};

struct Meter {
  double interval_s = 1.0;
  double jitter_s = 0.0;     ///< uniform, of each reading's time
  double step_w = 0.1;       ///< display; 0: none
  double lost_share = 0.0;   ///< of the readings never arrive
  double drift_per_h = 0.0;  ///< what the room's temperature does to all levels, as a share
};

struct Night {
  std::vector<std::pair<UtcTime, double>> readings;
  std::vector<std::pair<double, Act>> truth;  ///< begin in seconds and what it is
};

inline Night play(const std::vector<Act>& acts, const Meter& meter, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  // Own arithmetic on the generator's bits: the standard's distributions differ between libraries.
  const auto uniform = [&] { return static_cast<double>(random() >> 11) * 0x1.0p-53; };
  const auto normal = [&] {
    double sum = -6.0;
    for (int i = 0; i < 12; ++i) sum += uniform();
    return sum;
  };
  Night night;
  double begin = 0.0, noise = 0.0, wander = 0.0, wander_until = 0.0;
  double t = 0.0;
  for (const Act& act : acts) {
    night.truth.emplace_back(begin, act);
    for (; t < begin + act.length_s; t += meter.interval_s) {
      const double at = t + (uniform() - 0.5) * meter.jitter_s;
      const double since = t - begin;
      double p = act.level_w + act.settle_w * std::exp(-since / act.settle_tau_s);
      if (act.end_level_w >= 0.0) p += (act.end_level_w - act.level_w) * since / act.length_s;
      p *= 1.0 + meter.drift_per_h * t / 3600.0;
      const double keep = std::pow(act.correlation, meter.interval_s);
      noise = keep * noise + std::sqrt(1.0 - keep * keep) * normal() * act.noise_w;
      if (act.wander_w > 0.0 && t >= wander_until) {
        wander = uniform() * act.wander_w;
        wander_until = t + 1.0 + 6.0 * uniform();
      }
      p += noise + (act.wander_w > 0.0 ? wander : 0.0);
      if (p < 0.0) p = 0.0;
      if (act.kind == SegmentKind::gap || (meter.lost_share > 0.0 && uniform() < meter.lost_share)) continue;
      if (meter.step_w > 0.0) p = std::round(p / meter.step_w) * meter.step_w;
      night.readings.emplace_back(UtcTime{to_duration({at}).count()}, p);
    }
    begin += act.length_s;
  }
  return night;
}

inline Classified segment(const Night& night, const SegmenterSettings& settings) {
  Segmenter segmenter(settings);
  for (const auto& [time, power] : night.readings) segmenter.push(time, power);
  ClassifyInput input;
  input.settings = settings;
  input.run_begin = night.readings.front().first;
  input.run_end = night.readings.back().first;
  segmenter.finish(input.run_end);
  const std::vector<Regime> regimes = segmenter.take_final();
  input.final_count = regimes.size();
  input.learnt = segmenter.learnt();
  return classify(regimes, input);
}

struct Device {
  double least_idle_w = 1.2;
  double most_idle_w = 90.0;
  bool gaps = false;  ///< the meter falls silent for a while in the middle of some of what it does
};

/// A random plan of a night: off and adapter alone, a start-up, idle, then loads, ramps, throttling and idle again.
inline std::vector<Act> plan(std::uint64_t seed, const Device& device = {}) {
  std::mt19937_64 random(seed * 7919 + 17);
  const auto uniform = [&](double a, double b) {
    return a + (b - a) * static_cast<double>(random() >> 11) * 0x1.0p-53;
  };
  const auto pick = [&](std::uint64_t n) { return random() % n; };
  std::vector<Act> acts;
  const double idle = std::exp(uniform(std::log(device.least_idle_w), std::log(device.most_idle_w)));
  const double noise = uniform(0.002, 0.012);
  const auto act = [&](SegmentKind kind, double length_s, double level_w) {
    Act a;
    a.kind = kind;
    a.length_s = length_s;
    a.level_w = level_w;
    a.noise_w = noise * level_w;
    a.correlation = uniform(0.0, 0.7);
    acts.push_back(a);
    return &acts.back();
  };
  if (pick(3) > 0) act(SegmentKind::off, uniform(60, 400), 0.0)->noise_w = 0.0;
  const bool adapter = idle > 6.0 && pick(2) == 0;
  if (adapter) act(SegmentKind::standby, uniform(60, 600), uniform(0.05, 0.25) * idle);
  if (!acts.empty()) act(SegmentKind::unsteady, uniform(30, 90), 0.9 * idle)->wander_w = uniform(1.5, 3.0) * idle;
  act(SegmentKind::idle, uniform(300, 1500), idle);
  double last = idle;
  const auto steady = [&](double level, double length_s) {
    const SegmentKind kind = level <= 1.05 * idle ? SegmentKind::idle : SegmentKind::plateau;
    Act* a = act(kind, length_s, level);
    if (kind == SegmentKind::plateau && pick(2) == 0) {
      a->settle_w = uniform(-0.06, 0.12) * level;
      a->settle_tau_s = uniform(15, 60);
    }
    last = level;
  };
  const std::uint64_t loads = 1 + pick(4);
  for (std::uint64_t k = 0; k < loads; ++k) {
    const double load = idle * uniform(1.5, 6.0);
    switch (pick(4)) {
      case 0: {  // a ramp up to it
        Act* a = act(SegmentKind::ramp, uniform(30, 120), last);
        const double end = std::abs(load / last - 1.0) < 0.3 ? 1.6 * last : load;
        a->end_level_w = end;
        steady(end, uniform(200, 900));
        break;
      }
      case 1: {  // throttling: three steps down
        double level = load;
        for (int step = 0; step < 3; ++step) {
          steady(level, uniform(120, 400));
          level *= uniform(0.80, 0.90);
          if (level < 1.3 * idle) break;
        }
        break;
      }
      default:
        steady(load, uniform(120, 1200));
    }
    if (pick(3) > 0 || k + 1 == loads) steady(idle * uniform(0.99, 1.01), uniform(120, 900));
  }
  if (pick(2) == 0) act(SegmentKind::off, uniform(60, 400), 0.0)->noise_w = 0.0;
  if (!device.gaps) return acts;
  std::vector<Act> broken;
  for (const Act& whole : acts) {
    broken.push_back(whole);
    const bool level = whole.kind == SegmentKind::idle || whole.kind == SegmentKind::plateau;
    if (!level || whole.settle_w != 0.0 || pick(3) > 0) continue;
    broken.back().length_s = whole.length_s * uniform(0.4, 0.6);
    Act hole;
    hole.kind = SegmentKind::gap;
    hole.length_s = std::exp(uniform(std::log(15.0), std::log(1200.0)));
    broken.push_back(hole);
    broken.push_back(whole);
    broken.back().length_s = whole.length_s - broken[broken.size() - 3].length_s;
  }
  return broken;
}

/// What the benchmark plays: displays, rates and devices.
struct Row {
  const char* name;
  Meter meter;
  Device device;
  std::uint64_t count = 30;  ///< nights
};

inline std::vector<Row> rows() {
  return {{"whole watt, 1 Hz, idle above 4 W", {1.0, 0.0, 1.0}, {4.0}},
          {"whole watt, 1 Hz, idle above 1.2 W", {1.0, 0.0, 1.0}, {}},
          {"0.1 W, 1 Hz", {1.0, 0.2, 0.1}, {}},
          {"0.01 W, 1 Hz", {1.0, 0.0, 0.01}, {}},
          {"0.1 W, 0.5 Hz", {2.0, 0.4, 0.1}, {}},
          {"0.01 W, 2 Hz", {0.5, 0.1, 0.01}, {}, 20},
          {"0.01 W, 10 Hz", {0.1, 0.0, 0.01}, {}},
          {"0.1 W, 100 Hz", {0.01, 0.0, 0.1}, {}, 6},
          {"0.01 W, 1 Hz, idle below 1 W", {1.0, 0.2, 0.01}, {0.2, 0.9}},
          {"0.1 W, 1 Hz, gaps, 2 % lost", {1.0, 0.2, 0.1, 0.02}, {1.2, 90.0, true}},
          {"0.1 W, 5 Hz, gaps", {0.2, 0.02, 0.1}, {1.2, 90.0, true}, 20},
          {"0.1 W, 1 Hz, drift 3 %/h", {1.0, 0.2, 0.1, 0.0, 0.03}, {}}};
}

/// Ten load levels 6 % apart in random order.
inline std::vector<Act> close_levels(std::uint64_t seed) {
  std::mt19937_64 random(seed * 104729 + 3);
  std::vector<Act> acts(1);
  acts[0] = {SegmentKind::idle, 600.0, 8.0, -1.0, 0.0, 60.0, 0.05, 0.3, 0.0};
  std::vector<int> order = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9};
  for (std::size_t i = 9; i > 0; --i) std::swap(order[i], order[static_cast<std::size_t>(random() % (i + 1))]);
  for (const int k : order)
    acts.push_back({SegmentKind::plateau, 200.0 + static_cast<double>(random() % 300), 20.0 * std::pow(1.06, k), -1.0,
                    0.0, 60.0, 0.1, 0.5, 0.0});
  return acts;
}

/// One boundary that is missing, or reported where nothing happens.
struct Slip {
  bool missed = false;
  double at_s = 0.0;
  double nearest_s = 0.0;  ///< boundary of the other list, seen from at_s
};

struct Score {
  double true_edges = 0, found_edges = 0, reported = 0, right_reports = 0;
  double time_s = 0, right_time_s = 0;
  double levels = 0, right_levels = 0, covered_levels = 0;
  double judged_edges = 0, covered_edges = 0;  ///< found edges whose interval (k = 2) holds the true instant
  std::vector<Slip> slips;
  [[nodiscard]] double f1() const {
    const double p = reported > 0 ? right_reports / reported : 1.0;
    const double r = true_edges > 0 ? found_edges / true_edges : 1.0;
    return p + r > 0 ? 2 * p * r / (p + r) : 0.0;
  }
  void add(const Score& o) {
    true_edges += o.true_edges, found_edges += o.found_edges, reported += o.reported, right_reports += o.right_reports;
    time_s += o.time_s, right_time_s += o.right_time_s;
    levels += o.levels, right_levels += o.right_levels, covered_levels += o.covered_levels;
    judged_edges += o.judged_edges, covered_edges += o.covered_edges;
  }
};

/// Boundaries within max(3 s, 3 readings); the share of time with the right kind; levels within max(1 %, 0.15 step) of
/// the device's true power, and how many intervals hold it.
inline Score score(const Night& night, const Meter& meter, const std::vector<Segment>& segments) {
  Score s;
  const double tolerance_s = std::max(3.0, 3.0 * meter.interval_s);
  // Two levels that the display shows as one, or that differ by less than 1 %, have no edge that anybody could draw.
  const auto shows = [&](std::size_t i) {
    const Act& a = night.truth[i - 1].second;
    const Act& b = night.truth[i].second;
    if (a.end_level_w >= 0.0 || b.end_level_w >= 0.0 || a.wander_w > 0.0 || b.wander_w > 0.0) return true;
    if (a.kind == SegmentKind::gap || b.kind == SegmentKind::gap) return true;
    const double from = a.level_w, to = b.level_w + b.settle_w;
    const bool counts = meter.step_w > 0.0 && std::round(from / meter.step_w) == std::round(to / meter.step_w);
    return !counts && std::abs(to - from) >= 0.01 * from;
  };
  std::vector<double> edges, seen, bounds;
  for (std::size_t i = 1; i < night.truth.size(); ++i) {
    edges.push_back(night.truth[i].first);
    if (shows(i)) seen.push_back(night.truth[i].first);
  }
  for (std::size_t i = 1; i < segments.size(); ++i) bounds.push_back(static_cast<double>(segments[i].begin.us) * 1e-6);
  const auto off_by = [](double t, const std::vector<double>& list) {
    double least = 1e9;
    for (const double x : list)
      if (std::abs(x - t) < std::abs(least)) least = x - t;
    return least;
  };
  const auto near = [&](double t, const std::vector<double>& list) { return std::abs(off_by(t, list)) <= tolerance_s; };
  s.true_edges = static_cast<double>(seen.size());
  s.reported = static_cast<double>(bounds.size());
  for (const double e : seen) {
    s.found_edges += near(e, bounds) ? 1 : 0;
    if (!near(e, bounds)) s.slips.push_back({true, e, off_by(e, bounds)});
  }
  for (const double b : bounds) {
    s.right_reports += near(b, edges) ? 1 : 0;
    if (!near(b, edges)) s.slips.push_back({false, b, off_by(b, edges)});
  }
  for (std::size_t i = 1; i < segments.size(); ++i) {
    const double b = static_cast<double>(segments[i].begin.us) * 1e-6;
    // The edges of a gap are the readings beside it: nothing is unsure about them.
    if (!near(b, edges) || segments[i].kind == SegmentKind::gap || segments[i - 1].kind == SegmentKind::gap) continue;
    ++s.judged_edges;
    s.covered_edges += std::abs(off_by(b, edges)) <= segments[i].begin_uncertainty_s + 1e-6 ? 1 : 0;
  }
  const double end = static_cast<double>(night.readings.back().first.us) * 1e-6;
  for (const Segment& g : segments) {
    const double a = static_cast<double>(g.begin.us) * 1e-6, z = static_cast<double>(g.end.us) * 1e-6;
    double longest = 0.0;
    const Act* of = nullptr;
    for (std::size_t i = 0; i < night.truth.size(); ++i) {
      const double begin = night.truth[i].first;
      const double stop = i + 1 < night.truth.size() ? night.truth[i + 1].first : end;
      const double both = std::min(z, stop) - std::max(a, begin);
      if (both <= 0.0) continue;
      s.time_s += both;
      if (night.truth[i].second.kind == g.kind) s.right_time_s += both;
      if (both > longest) longest = both, of = &night.truth[i].second;
    }
    if (!g.level_w || of == nullptr || of->end_level_w >= 0.0 || of->wander_w > 0.0) continue;
    if (of->noise_w < 0.3 * meter.step_w && of->level_w > 0.0) continue;  // a display that does not dither cannot tell
    ++s.levels;
    const double middle_s = a + (z - a) * 2.0 / 3.0;  // of the two thirds that make the level
    const double level_w = of->level_w * (1.0 + meter.drift_per_h * middle_s / 3600.0);
    const double error_w = std::abs(*g.level_w - level_w);
    s.right_levels += error_w <= std::max(0.01 * level_w, 0.15 * meter.step_w) ? 1 : 0;
    s.covered_levels += error_w <= g.uncertainty_w.value_or(0.0) ? 1 : 0;
  }
  return s;
}

}  // namespace nightwatt::night
