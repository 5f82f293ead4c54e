// Seeded nights with known truth: what a device does, what a meter shows of it.
#pragma once

#include <cmath>
#include <cstdint>
#include <optional>
#include <random>
#include <utility>
#include <vector>

#include "measure/segmenter.hpp"

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
  double jitter_s = 0.0;  ///< uniform, of each reading's time
  double step_w = 0.1;    ///< display; 0: none
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
      const double keep = std::pow(act.correlation, meter.interval_s);
      noise = keep * noise + std::sqrt(1.0 - keep * keep) * normal() * act.noise_w;
      if (act.wander_w > 0.0 && t >= wander_until) {
        wander = uniform() * act.wander_w;
        wander_until = t + 1.0 + 6.0 * uniform();
      }
      p += noise + (act.wander_w > 0.0 ? wander : 0.0);
      if (p < 0.0) p = 0.0;
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
  const std::vector<Stretch> stretches = segmenter.take_final();
  input.final_count = stretches.size();
  input.learnt = segmenter.learnt();
  return classify(stretches, input);
}

}  // namespace nightwatt::night
