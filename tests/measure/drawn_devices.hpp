// Devices drawn at random, and nights of theirs as readings: made before and apart from what is to know them again.
#pragma once

#include <cmath>
#include <cstdint>
#include <vector>

#include "tests/measure/drawn_histories.hpp"
#include "tests/measure/segments/night.hpp"

namespace nightwatt::drawn {

/// What a device is, night after night.
struct Device {
  double idle_w = 10.0;
  double load_w = 25.0;
  double standby_w = 0.5;  ///< 0: it has none
  double boot_w = 18.0;    ///< mean of its irregular start
  double boot_s = 30.0;
  double settle_share = 0.0;  ///< how far above its end the load begins
  double settle_tau_s = 60.0;
  double idle_noise = 0.005;  ///< of the level, standard deviation
  double load_noise = 0.01;
};

inline Device draw_device(Dice& dice) {
  const auto spread = [&](double low, double high) { return low * std::pow(high / low, dice.uniform()); };
  Device device;
  device.idle_w = spread(2.0, 80.0);
  device.load_w = device.idle_w * dice.between(1.5, 4.0);
  device.standby_w = dice.uniform() < 0.6 ? device.idle_w * spread(0.02, 0.25) : 0.0;
  device.boot_w = device.idle_w * dice.between(1.3, 2.2);
  device.boot_s = dice.between(15.0, 90.0);
  device.settle_share = dice.uniform() < 0.5 ? dice.between(0.05, 0.2) : 0.0;
  device.settle_tau_s = dice.between(30.0, 150.0);
  device.idle_noise = spread(0.002, 0.02);
  device.load_noise = spread(0.003, 0.03);
  return device;
}

/// Another box of the same kind: levels, times and noise differ by this share, each by itself.
inline Device draw_alike(const Device& kind, double share, Dice& dice) {
  const auto near = [&](double value) { return value * std::exp(share * dice.normal()); };
  Device device = kind;
  device.idle_w = near(kind.idle_w);
  device.load_w = near(kind.load_w);
  device.standby_w = near(kind.standby_w);
  device.boot_w = near(kind.boot_w);
  device.boot_s = near(kind.boot_s);
  device.settle_share = near(kind.settle_share);
  device.settle_tau_s = near(kind.settle_tau_s);
  device.idle_noise = near(kind.idle_noise);
  device.load_noise = near(kind.load_noise);
  return device;
}

/// How much it is another device the next night.
struct NightSpread {
  double level = 0.03;   ///< of each level, by itself
  double common = 0.0;   ///< of all levels of a night together
  double length = 0.05;  ///< of the boot
  double noise = 0.15;
};

/// Off, perhaps standby, boot, idle, load, idle, off: a night of some forty minutes, so that hundreds are quick.
inline std::vector<night::Act> acts_of(const Device& device, const NightSpread& spread, Dice& dice) {
  const double common = std::exp(spread.common * dice.normal());
  const auto level = [&](double w) { return w * common * std::exp(spread.level * dice.normal()); };
  const auto noise = [&](double share) { return share * std::exp(spread.noise * dice.normal()); };
  std::vector<night::Act> acts;
  const auto steady = [&](SegmentKind kind, double s, double w, double noise_share) {
    night::Act act;
    act.kind = kind;
    act.length_s = s;
    act.level_w = w;
    act.noise_w = w * noise_share;
    acts.push_back(act);
  };
  const double idle_w = level(device.idle_w), idle_noise = noise(device.idle_noise);
  steady(SegmentKind::off, 120.0, 0.0, 0.0);
  if (device.standby_w > 0.0) steady(SegmentKind::standby, 180.0, level(device.standby_w), idle_noise);
  steady(SegmentKind::unsteady, device.boot_s * std::exp(spread.length * dice.normal()), 0.6 * level(device.boot_w),
         0.02);
  acts.back().wander_w = 0.8 * device.boot_w;
  steady(SegmentKind::idle, 600.0, idle_w, idle_noise);
  const double load_w = level(device.load_w);
  steady(SegmentKind::plateau, 700.0, load_w, noise(device.load_noise));
  acts.back().settle_w = device.settle_share * load_w;
  acts.back().settle_tau_s = device.settle_tau_s;
  steady(SegmentKind::idle, 500.0, idle_w, idle_noise);
  steady(SegmentKind::off, 120.0, 0.0, 0.0);
  return acts;
}

inline night::Night play_night(const Device& device, const NightSpread& spread, std::uint64_t seed, double step_w) {
  Dice dice(seed);
  night::Meter meter;
  meter.step_w = step_w;
  return night::play(acts_of(device, spread, dice), meter, seed ^ 0x5eed);
}

}  // namespace nightwatt::drawn
