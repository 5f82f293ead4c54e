// How often intervals of corrected levels hold the truth, over simulated calibrations. Usage: bench_calibration [seed].
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <vector>

#include "measure/history/calibration.hpp"
#include "tests/measure/drawn_histories.hpp"

using namespace nightwatt;
using namespace nightwatt::drawn;

namespace {

std::uint64_t first_seed = 6'000'001;

void held(const char* name, CalibrationWorld world) {
  std::printf("%-58s", name);
  for (const int levels : {2, 3, 5, 8, 15}) {
    world.levels = levels;
    int inside = 0, all = 0;
    for (int i = 0; i < 4000; ++i) {
      Dice dice(first_seed + static_cast<std::uint64_t>(i));
      std::vector<CalibrationLevel> seen;
      for (const DrawnLevel& one : draw(world, dice)) {
        CalibrationLevel level;
        level.shown_w = one.shown_w;
        level.reference_w = one.reference_w;
        level.random_w = std::hypot(world.meter_random_w, world.reference_random_w);
        seen.push_back(level);
      }
      Accuracy permissible_error;
      permissible_error.percent = world.reference_percent;
      permissible_error.floor = world.reference_floor_w;
      const auto made = calibrate(seen, ReferenceTrust::of(permissible_error), std::nullopt);
      if (!made) continue;
      const double truth = dice.between(world.lowest_w, world.highest_w);
      const double shown = world.offset_w + world.gain * truth + world.bend * truth * truth / world.highest_w;
      inside +=
          std::abs(made->correction.at(shown) - truth) <= 2.0 * made->correction.standard_deviation_at(shown) ? 1 : 0;
      ++all;
    }
    std::printf("  %6.1f %%", 100.0 * inside / all);
  }
  std::puts("");
}

}  // namespace

int main(int argc, char** argv) {
  if (argc > 1) first_seed = std::strtoull(argv[1], nullptr, 10);
  std::printf(
      "seeds from %llu; 4000 calibrations each; a level drawn from the range, its interval k = 2 (wanted: 94 to 99 "
      "%%)\n",
      static_cast<unsigned long long>(first_seed));
  std::printf("%-58s  %8s  %8s  %8s  %8s  %8s\n", "levels", "2", "3", "5", "8", "15");
  CalibrationWorld world;
  world.reference_percent = 0.01;
  world.reference_floor_w = 0.005;
  held("chance of 0.02 W rules", world);
  world.reference_percent = 0.02;
  world.reference_floor_w = 0.01;
  held("chance and promise about alike", world);
  world.reference_percent = 0.5;
  world.reference_floor_w = 0.05;
  held("the reference's promise rules (a rectangle: 100 %)", world);
  world = {};
  world.reference_percent = 0.02;
  world.bend = 0.02;
  held("a meter that bends by 2 % of its range", world);
  world.bend = 0.0;
  world.highest_w = 3000.0;
  held("3 W to 3 kW", world);
}
