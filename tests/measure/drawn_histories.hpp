// Histories and calibrations drawn from known truths: made before the estimators that they judge, and without them.
#pragma once

#include <cmath>
#include <cstdint>
#include <random>
#include <vector>

namespace nightwatt::drawn {

/// Own arithmetic on the generator's bits: the standard's distributions differ between libraries.
class Dice {
 public:
  explicit Dice(std::uint64_t seed) : random_(seed) {}
  double uniform() { return static_cast<double>(random_() >> 11) * 0x1.0p-53; }
  double between(double low, double high) { return low + (high - low) * uniform(); }
  /// Box and Muller 1958, one of the pair.
  double normal() {
    const double radius = std::sqrt(-2.0 * std::log(1.0 - uniform()));
    return radius * std::cos(2.0 * M_PI * uniform());
  }
  int whole(int low, int high) { return low + static_cast<int>(uniform() * (high - low + 1)); }

 private:
  std::mt19937_64 random_;
};

/// A device's nights on one meter. All powers in W.
struct HistoryWorld {
  int nights = 20;
  double level_w = 40.0;
  double random_w = 0.01;      ///< standard, of one night's figure
  double random_spread = 1.0;  ///< nights are unequal: chance times up to this, by chance
  double between_w = 0.0;      ///< what the device itself does from night to night
  double meter_share = 0.006;  ///< standard, of the meter's common error, as a share of the level
  int step_at = -1;            ///< first night after the step; < 0: none
  double step_w = 0.0;
  double creep_w = 0.0;  ///< from the first night to the last, in proportion to the days
  int apart_at = -1;     ///< one night out of line
  double apart_w = 0.0;
};
struct DrawnNight {
  double day = 0.0;
  double shown_w = 0.0;
  double random_w = 0.0;  ///< as a budget would say
};

inline std::vector<DrawnNight> draw(const HistoryWorld& world, Dice& dice) {
  std::vector<DrawnNight> nights;
  const double meter = 1.0 + world.meter_share * dice.normal();
  double day = 0.0;
  for (int i = 0; i < world.nights; ++i) {
    DrawnNight night;
    night.day = day;
    night.random_w = world.random_w * std::exp(std::log(world.random_spread) * dice.uniform());
    double truth = world.level_w + world.between_w * dice.normal();
    if (world.step_at >= 0 && i >= world.step_at) truth += world.step_w;
    if (i == world.apart_at) truth += world.apart_w;
    night.shown_w = meter * truth + night.random_w * dice.normal();
    nights.push_back(night);
    day += dice.between(0.5, 2.0);
  }
  for (DrawnNight& night : nights) night.shown_w += meter * world.creep_w * night.day / nights.back().day;
  return nights;
}

/// A meter on some levels beside a reference.
struct CalibrationWorld {
  int levels = 6;
  double lowest_w = 3.0, highest_w = 200.0;
  double offset_w = 0.2, gain = 1.01;  ///< the meter shows offset + gain times the truth ...
  double bend = 0.0;                   ///< ... plus this times truth^2 / highest
  double meter_random_w = 0.02;
  double reference_percent = 0.1, reference_floor_w = 0.01;  ///< its promise: half-widths, common to all levels
  double reference_random_w = 0.01;
};
struct DrawnLevel {
  double truth_w = 0.0, shown_w = 0.0, reference_w = 0.0;
};

inline std::vector<DrawnLevel> draw(const CalibrationWorld& world, Dice& dice) {
  std::vector<DrawnLevel> levels;
  // A promise is the half-width of a rectangle.
  const double reference_gain = 1.0 + world.reference_percent / 100.0 * dice.between(-1.0, 1.0);
  const double reference_offset = world.reference_floor_w * dice.between(-1.0, 1.0);
  for (int i = 0; i < world.levels; ++i) {
    DrawnLevel level;
    const double share = world.levels > 1 ? static_cast<double>(i) / (world.levels - 1) : 0.0;
    level.truth_w = world.lowest_w * std::pow(world.highest_w / world.lowest_w, share);
    level.shown_w = world.offset_w + world.gain * level.truth_w +
                    world.bend * level.truth_w * level.truth_w / world.highest_w + world.meter_random_w * dice.normal();
    level.reference_w = reference_offset + reference_gain * level.truth_w + world.reference_random_w * dice.normal();
    levels.push_back(level);
  }
  return levels;
}

}  // namespace nightwatt::drawn
