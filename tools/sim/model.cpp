#include "sim/model.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "measure/signal/digits.hpp"

namespace nightwatt::sim {
namespace {

enum Subject : std::uint64_t { white_subject = 1, wander_subject, voltage_subject, piece_subject = 1000 };

// The finaliser of the splitmix64 generator: every input bit moves every output bit.
std::uint64_t mix(std::uint64_t x) {
  x += 0x9E3779B97F4A7C15ULL;
  x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9ULL;
  x = (x ^ (x >> 27)) * 0x94D049BB133111EBULL;
  return x ^ (x >> 31);
}

double unit_interval(std::uint64_t bits) {
  return (static_cast<double>(bits >> 11) + 0.5) * 0x1p-53;
}

// Standard normal (Box and Muller).
double gaussian(std::uint64_t seed, std::uint64_t subject, std::uint64_t counter) {
  const double u = unit_interval(hashed(seed, subject, 2 * counter));
  const double v = unit_interval(hashed(seed, subject, 2 * counter + 1));
  return std::sqrt(-2.0 * std::log(u)) * std::cos(2.0 * std::numbers::pi * v);
}

std::uint64_t tick_of(double at_s, double tick_s) {
  return static_cast<std::uint64_t>(std::max(0.0, std::floor(at_s / tick_s + 1e-6)));
}

}  // namespace

std::uint64_t hashed(std::uint64_t seed, std::uint64_t subject, std::uint64_t counter) {
  return mix(mix(mix(seed) ^ subject) ^ counter);
}

Model::Model(Script script, std::uint64_t seed)
    : script_(std::move(script)), seed_(seed), piece_energy_ws_(script_.stages.size()) {
  double energy_ws = script_.energy_wh * 3600.0;
  for (std::size_t i = 0; i < script_.stages.size(); ++i) {
    const Stage& stage = script_.stages[i];
    energy_before_ws_.push_back(energy_ws);
    if (stage.kind == StageKind::irregular) {
      double sum = 0.0;
      for (std::uint64_t piece = 0; static_cast<double>(piece) * stage.period_s <= stage.length_s; ++piece) {
        piece_energy_ws_[i].push_back(sum);
        sum += piece_w(i, piece) * stage.period_s;
      }
    }
    energy_ws += stage_energy_ws(i, stage.length_s);
  }
}

std::size_t Model::stage_at(double at_s) const {
  const auto after = std::upper_bound(script_.stages.begin(), script_.stages.end(), at_s,
                                      [](double t, const Stage& stage) { return t < stage.begin_s; });
  return after == script_.stages.begin() ? 0 : static_cast<std::size_t>(after - script_.stages.begin()) - 1;
}

double Model::piece_w(std::size_t index, std::uint64_t piece) const {
  const Stage& stage = script_.stages[index];
  return stage.from_w + (stage.to_w - stage.from_w) * unit_interval(hashed(seed_, piece_subject + index, piece));
}

double Model::stage_power_w(std::size_t index, double into_s) const {
  const Stage& stage = script_.stages[index];
  switch (stage.kind) {
    case StageKind::level:
      return stage.to_w;
    case StageKind::ramp:
      return stage.from_w + (stage.to_w - stage.from_w) * into_s / stage.length_s;
    case StageKind::settle:
      return stage.to_w + (stage.from_w - stage.to_w) * std::exp(-into_s / stage.tau_s);
    case StageKind::cycle:
      return std::fmod(into_s, stage.period_s) < stage.share * stage.period_s ? stage.to_w : stage.from_w;
    case StageKind::irregular:
      return piece_w(index, tick_of(into_s, stage.period_s));
  }
  return 0.0;
}

double Model::stage_energy_ws(std::size_t index, double into_s) const {
  const Stage& stage = script_.stages[index];
  switch (stage.kind) {
    case StageKind::level:
      return stage.to_w * into_s;
    case StageKind::ramp:
      return (stage.from_w + 0.5 * (stage.to_w - stage.from_w) * into_s / stage.length_s) * into_s;
    case StageKind::settle:
      return stage.to_w * into_s - (stage.from_w - stage.to_w) * stage.tau_s * std::expm1(-into_s / stage.tau_s);
    case StageKind::cycle: {
      const double turns = std::floor(into_s / stage.period_s);
      const double left_s = into_s - turns * stage.period_s;
      const double on_s = turns * stage.share * stage.period_s + std::min(left_s, stage.share * stage.period_s);
      return stage.to_w * on_s + stage.from_w * (into_s - on_s);
    }
    case StageKind::irregular: {
      const std::uint64_t piece = tick_of(into_s, stage.period_s);
      const double into_piece_s = into_s - static_cast<double>(piece) * stage.period_s;
      return piece_energy_ws_[index][static_cast<std::size_t>(
                 std::min<std::uint64_t>(piece, piece_energy_ws_[index].size() - 1))] +
             piece_w(index, piece) * into_piece_s;
    }
  }
  return 0.0;
}

double Model::power_w(double at_s) const {
  if (at_s >= script_.length_s()) {
    const Stage& last = script_.stages.back();
    return stage_power_w(script_.stages.size() - 1, last.length_s);
  }
  const std::size_t index = stage_at(at_s);
  return stage_power_w(index, std::max(0.0, at_s - script_.stages[index].begin_s));
}

double Model::energy_wh(double at_s) const {
  const double until_s = std::min(at_s, script_.length_s());
  const std::size_t index = stage_at(std::max(0.0, until_s));
  double energy_ws =
      energy_before_ws_[index] + stage_energy_ws(index, std::max(0.0, until_s - script_.stages[index].begin_s));
  if (at_s > until_s) energy_ws += power_w(at_s) * (at_s - until_s);
  return energy_ws / 3600.0;
}

double Model::noise_w(const Noise& noise, double at_s) const {
  double sum = 0.0;
  if (noise.white_w > 0.0) sum += noise.white_w * gaussian(seed_, white_subject, tick_of(at_s, 1e-3));
  if (noise.correlated_w > 0.0) {
    // Independent knots, joined by straight lines and brought back to one variance: any instant can be had directly.
    const std::uint64_t knot = tick_of(at_s, noise.correlated_over_s);
    const double w = std::clamp(at_s / noise.correlated_over_s - static_cast<double>(knot), 0.0, 1.0);
    const double mean =
        (1.0 - w) * gaussian(seed_, wander_subject, knot) + w * gaussian(seed_, wander_subject, knot + 1);
    sum += noise.correlated_w * mean / std::hypot(1.0 - w, w);
  }
  return sum;
}

double Model::measured_power_w(double at_s) const {
  const double power = power_w(at_s);
  if (power == 0.0) return 0.0;  // nothing plugged in, nothing to be noisy
  const double noisy = power + noise_w(script_.stages[stage_at(at_s)].noise, at_s);
  return power > 0.0 ? std::max(0.0, noisy) : std::min(0.0, noisy);
}

double Model::measured(Quantity quantity, double at_s) const {
  const double voltage =
      script_.voltage_v + (script_.voltage_noise_v > 0.0
                               ? script_.voltage_noise_v * gaussian(seed_, voltage_subject, tick_of(at_s, 1e-3))
                               : 0.0);
  const double power = measured_power_w(at_s);
  const double apparent = std::abs(power) / script_.power_factor;
  switch (quantity) {
    case Quantity::power:
      return power;
    case Quantity::voltage:
      return voltage;
    case Quantity::current:
      return apparent / voltage;
    case Quantity::power_factor:
      return power == 0.0 ? 0.0 : script_.power_factor;
    case Quantity::frequency:
      return script_.frequency_hz;
    case Quantity::energy:
      return energy_wh(at_s);
    case Quantity::energy_export:
      return 0.0;
    case Quantity::apparent:
      return apparent;
    case Quantity::reactive:
      return std::sqrt(std::max(0.0, apparent * apparent - power * power));
  }
  return 0.0;
}

double on_display(double value, double step, DisplayRule rule) {
  // The small addend keeps 0.3 / 0.1 from being truncated to 2.
  const double steps =
      rule == DisplayRule::round ? std::round(value / step) : std::trunc(value / step + std::copysign(1e-9, value));
  return steps * step;
}

int decimals_of(double step) {
  double scaled = std::abs(step);
  for (int decimals = 0; decimals < 9; ++decimals, scaled *= 10.0)
    if (std::abs(scaled - std::round(scaled)) < 1e-6 * scaled) return decimals;
  return 9;
}

std::string fixed_text(double value, int decimals) {
  std::string text = digits_of(value, std::chars_format::fixed, decimals);
  if (text.front() == '-' && text.find_first_not_of("-0.") == std::string::npos) text.erase(0, 1);
  return text;
}

}  // namespace nightwatt::sim
