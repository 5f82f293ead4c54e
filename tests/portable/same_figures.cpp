// What figures a store gives, every number with all its digits, so that machines of different kinds can be held side by
// side. Usage: same_figures make STORE READINGS.csv (records nights into a new store), same_figures tell STORE
// (prints).
#include <cstdint>
#include <fstream>
#include <iostream>
#include <string>
#include <vector>

#include "figures/budget.hpp"
#include "figures/comparison.hpp"
#include "figures/figures.hpp"
#include "figures/history.hpp"
#include "figures/run_json.hpp"
#include "figures/run_recorder.hpp"
#include "storage/store.hpp"
#include "text/json_text.hpp"

namespace {

using namespace nightwatt;

constexpr std::int64_t first_night_us = 1'767'646'800'000'000;  // 2026-01-05T21:00:00Z
constexpr std::int64_t second_us = 1'000'000, day_us = 86'400 * second_us;

template <class T>
T must(Result<T> result) {
  if (result) return std::move(*result);
  std::cerr << "same_figures: " << result.error().message << '\n';
  std::exit(1);
}
void must(const Result<void>& result) {
  if (result) return;
  std::cerr << "same_figures: " << result.error().message << '\n';
  std::exit(1);
}

/// In whole numbers alone: no machine can play it otherwise. Knuth's MMIX constants, from memory.
class Noise {
 public:
  explicit Noise(std::uint64_t seed) : state_(seed) {}
  /// Nearly normal: a sum of four even ones of `width` each.
  std::int64_t next(std::int64_t width) {
    std::int64_t sum = 0;
    for (int i = 0; i < 4; ++i) {
      state_ = state_ * 6'364'136'223'846'793'005U + 1'442'695'040'888'963'407U;
      sum += static_cast<std::int64_t>(state_ >> 33U) % (2 * width + 1) - width;
    }
    return sum;
  }

 private:
  std::uint64_t state_;
};

/// Off, start-up, idle, a load that settles, idle, off, standby: in milliwatts, shown in centiwatts.
std::vector<Reading> night(int number, std::int64_t idle_mw) {
  struct Part {
    int seconds;
    std::int64_t level_mw, noise_mw;
  };
  const std::vector<Part> parts = {
      {60, 0, 0},          {45, idle_mw * 3, idle_mw / 4}, {1800, idle_mw, 40},   {1200, idle_mw * 4, 90},
      {2400, idle_mw, 40}, {40, idle_mw * 2, idle_mw / 5}, {600, idle_mw / 20, 4}};
  Noise noise(static_cast<std::uint64_t>(number) + 1);
  std::vector<Reading> readings;
  std::int64_t settling_mw = 0, second = 0;
  for (const Part& part : parts) {
    if (part.seconds == 1200) settling_mw = part.level_mw / 12;
    for (int i = 0; i < part.seconds; ++i, ++second) {
      settling_mw -= settling_mw / 150;
      if (part.seconds != 1200) settling_mw = 0;
      Reading reading;
      reading.time = UtcTime{first_night_us + number * day_us + second * second_us};
      const std::int64_t shown_mw = part.level_mw + settling_mw + (part.noise_mw > 0 ? noise.next(part.noise_mw) : 0);
      reading.values.set(Quantity::power, {(shown_mw + 5) / 10, -2});
      reading.values.set(Quantity::voltage, {2300 + noise.next(2), -1});
      readings.push_back(reading);
    }
  }
  return readings;
}

std::vector<Reading> readings_of(const std::string& path) {
  std::ifstream file(path);
  std::vector<Reading> readings;
  for (std::string line; std::getline(file, line);) {
    const std::size_t comma = line.find(',');
    if (line.empty() || line[0] == '#' || comma == std::string::npos) continue;
    const auto time = Decimal::parse(line.substr(0, comma));
    const auto power = Decimal::parse(line.substr(comma + 1));
    if (!time || !power) continue;  // the header
    Reading reading;
    reading.time = UtcTime{first_night_us - day_us + time->mantissa_at(-6).value_or(0)};
    reading.values.set(Quantity::power, *power);
    readings.push_back(reading);
  }
  return readings;
}

void record(storage::StoreWriter& store, const std::string& device, const std::vector<Reading>& readings, bool ended) {
  must(store.begin());
  storage::NewRun fresh;
  fresh.stream = must(store.stream_for_meter("bench"));
  fresh.device = device;
  fresh.begin = readings.front().time;
  fresh.traits.resolution_w = 0.01;
  fresh.traits.accuracy = must(Accuracy::parse("1% + 0.05W"));
  const auto run = must(store.open_run(fresh));
  must(store.apply(storage::AppendReadings{fresh.stream, readings}));
  must(store.commit());
  auto builder = must(figures::RunRecorder::resume(store.reader(), run));
  // An open run's state is saved half-way: another machine goes on from there.
  for (std::size_t i = 0; i < (ended ? readings.size() : readings.size() / 2); ++i) builder.push(readings[i]);
  must(store.begin());
  must(ended ? builder.finish(store, readings.back().time) : builder.save(store));
  must(store.commit());
}

void make(const std::string& path, const std::string& file) {
  auto store = must(storage::StoreWriter::open(path, {}));
  record(store, "Skua tower", readings_of(file), true);
  constexpr int nights = 6;
  for (int i = 0; i < nights; ++i) record(store, "Gannet board", night(i, i < nights / 2 ? 38'200 : 39'100), true);
  record(store, "Puffin mini", night(nights, 6'400), false);
}

void tell(const std::string& path) {
  const auto store = must(storage::StoreReader::open(path));
  std::string last_device;
  for (const storage::RunInfo& info : must(store.runs())) {
    const auto of_run = must(figures::run_record(store, info, storage::Sketches::all));
    const auto budgets = must(figures::run_budgets(store, of_run));
    std::cout << text::json_string([&](text::JsonWriter& json) {
      figures::write_summary(json, of_run, &budgets);
    }) << '\n' << text::json_string([&](text::JsonWriter& json) {
      figures::write_segments(json, of_run.segments, of_run.calendar);
    }) << '\n';
    if (!info.device || *info.device == last_device) continue;
    last_device = *info.device;
    const auto history = must(figures::history_of(store, last_device));
    std::cout << text::json_string([&](text::JsonWriter& json) { figures::write_history(json, history); }) << '\n';
  }
  const auto all = must(figures::comparison_of(store, {}));
  std::cout << text::json_string([&](text::JsonWriter& json) { figures::write_comparison(json, all); }) << '\n';
}

}  // namespace

int main(int argc, char** argv) {
  const std::vector<std::string> words(argv + 1, argv + argc);
  if (words.size() == 3 && words[0] == "make")
    make(words[1], words[2]);
  else if (words.size() == 2 && words[0] == "tell")
    tell(words[1]);
  else
    return 2;
  return 0;
}
