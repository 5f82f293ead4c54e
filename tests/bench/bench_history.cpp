// Whether a level moved: false alarms over whole histories, how many nights a change takes to be told, and the textbook
// charts beside it. Usage: bench_history [first seed].
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <vector>

#include "measure/history/level_history.hpp"
#include "tests/bench/control_chart.hpp"
#include "tests/measure/drawn_histories.hpp"

using namespace nightwatt;
using namespace nightwatt::drawn;

namespace {

std::uint64_t first_seed = 5'000'001;

std::vector<NightLevel> levels(const std::vector<DrawnNight>& nights) {
  std::vector<NightLevel> all;
  for (const DrawnNight& night : nights) all.push_back({night.day, night.shown_w, night.random_w, 0.0, {}});
  return all;
}

std::vector<NightLevel> history(const HistoryWorld& world, int i) {
  Dice dice(first_seed + static_cast<std::uint64_t>(i));
  return levels(draw(world, dice));
}

void false_alarms() {
  std::puts("Histories of a device that never changes, in which a change is said (wanted: 0.5 % at most)");
  std::puts(
      "nights   chance 0.01 W alone   as much between nights   five times as much   that, and nights of unequal "
      "chance");
  for (const int nights : {4, 6, 8, 12, 20, 60}) {
    std::printf("%6d", nights);
    for (const auto& [between_w, random_spread] :
         {std::pair{0.0, 1.0}, std::pair{0.01, 1.0}, std::pair{0.05, 1.0}, std::pair{0.05, 8.0}}) {
      HistoryWorld world;
      world.nights = nights;
      world.between_w = between_w;
      world.random_spread = random_spread;
      const int histories = nights > 30 ? 2000 : 10'000;
      int said = 0;
      for (int i = 0; i < histories; ++i) said += judge_history(history(world, i), {}).changes.empty() ? 0 : 1;
      std::printf("  %18.2f %%", 100.0 * said / histories);
    }
    std::puts("");
  }
}

/// Night after night, from the eighth on; nights after the step until it is told, `limit` where it is not.
int delay(const HistoryWorld& world, int i, int limit) {
  const std::vector<NightLevel> nights = history(world, i);
  for (int n = world.step_at + 1; n <= std::min<int>(world.step_at + limit, world.nights); ++n)
    if (!judge_history(std::span(nights).first(static_cast<std::size_t>(n)), {}).changes.empty())
      return n - world.step_at;
  return limit;
}

void delays() {
  constexpr int limit = 40, histories = 300;
  std::puts(
      "\nNights until a step is told (mean; 10 or 30 nights before it), beside charts that were told level and "
      "scatter");
  std::puts(
      "step, of a night's deviation   after 10   after 30   cusum k 0.5 h 4.77   moving average 0.25, 2.998   (mean "
      "run lengths, theory)");
  for (const double step : {1.0, 2.0, 3.0, 5.0, 8.0}) {
    std::printf("%29.1f", step);
    for (const int before : {10, 30}) {
      HistoryWorld world;
      world.nights = before + limit;
      world.step_at = before;
      world.random_w = 0.01;
      world.between_w = 0.01;
      world.meter_share = 0.0;
      world.step_w = step * std::hypot(world.random_w, world.between_w);
      double sum = 0.0;
      for (int i = 0; i < histories; ++i) sum += delay(world, i, limit);
      std::printf("   %8.1f", sum / histories);
    }
    std::printf("   %18.1f   %26.1f\n", cusum_run_length(step, 0.5, 4.77), ewma_run_length(step, 0.25, 2.998));
  }
  std::printf("without a step: one false alarm in %.0f nights (cusum), %.0f (moving average), by theory\n",
              cusum_run_length(0.0, 0.5, 4.77), ewma_run_length(0.0, 0.25, 2.998));
}

void night_after_night() {
  // Judged every night for two hundred nights, as a service would: how many nights bring something new that is false.
  constexpr int devices = 40, nights = 200;
  HistoryWorld world;
  world.nights = nights;
  world.between_w = 0.02;
  int told = 0;
  for (int i = 0; i < devices; ++i) {
    const std::vector<NightLevel> all = history(world, i);
    for (std::size_t n = least_nights; n <= all.size(); ++n) told += newly_moved(std::span(all).first(n), {}) ? 1 : 0;
  }
  std::printf("\n%d devices that never change, judged each of %d nights: %d times told, once in %.0f nights\n", devices,
              nights, told, static_cast<double>(devices) * nights / std::max(told, 1));
}

/// One change of `deviations` in each of 500 histories: as what it is told, and whether the interval holds.
void tell(const char* name, HistoryWorld world, double HistoryWorld::*change_w, double deviations) {
  constexpr int histories = 500;
  world.between_w = 0.01;
  const double truth = deviations * std::hypot(world.random_w, world.between_w);
  world.*change_w = truth;
  int counts[3] = {}, nothing = 0, several = 0, held = 0;
  double told_w = 0.0;
  for (int i = 0; i < histories; ++i) {
    const HistoryVerdict verdict = judge_history(history(world, i), {1.0 / 200.0, world.meter_share});
    nothing += verdict.changes.empty() ? 1 : 0;
    several += verdict.changes.size() > 1 ? 1 : 0;
    if (verdict.changes.size() != 1) continue;
    const LevelChange& change = verdict.changes[0];
    ++counts[static_cast<std::size_t>(change.shape)];
    held += std::abs(change.change_w - truth) <= change.uncertainty_w ? 1 : 0;
    told_w += change.change_w;
  }
  const int single = std::max(histories - nothing - several, 1);
  std::printf("%-15s %6d   %10.0f   %4d   %5d   %5d   %7d   %7d   %14.2f   %4.1f %%\n", name, world.nights, deviations,
              counts[0], counts[1], counts[2], nothing, several, told_w / single / truth, 100.0 * held / single);
}

void shapes() {
  std::puts("\nWhat one change is told as (of 500 histories)");
  std::puts("truth           nights   deviations   step   creep   apart   nothing   several   told / truth   held");
  for (const int nights : {8, 20, 60})
    for (const double deviations : {4.0, 5.0, 8.0}) {
      HistoryWorld step, creep, apart;
      for (HistoryWorld* world : {&step, &creep, &apart}) world->nights = nights;
      step.step_at = apart.apart_at = nights / 2;
      tell("step", step, &HistoryWorld::step_w, deviations);
      tell("creep", creep, &HistoryWorld::creep_w, deviations);
      tell("one night apart", apart, &HistoryWorld::apart_w, deviations);
    }
}

}  // namespace

int main(int argc, char** argv) {
  if (argc > 1) first_seed = std::strtoull(argv[1], nullptr, 10);
  std::printf("seeds from %llu\n", static_cast<unsigned long long>(first_seed));
  false_alarms();
  delays();
  shapes();
  night_after_night();
}
