#include "recorded_nights.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "figures/run_recorder.hpp"

namespace nightwatt::test {

std::vector<night::Act> plain_night(double idle_w, double load_w) {
  std::vector<night::Act> acts;
  const auto act = [&](SegmentKind kind, double length_s, double level_w) {
    night::Act one;
    one.kind = kind;
    one.length_s = length_s;
    one.level_w = level_w;
    one.noise_w = 0.001 * level_w;
    acts.push_back(one);
  };
  act(SegmentKind::off, 120.0, 0.0);
  act(SegmentKind::idle, 800.0, idle_w);
  act(SegmentKind::plateau, 700.0, load_w);
  act(SegmentKind::idle, 800.0, idle_w);
  return acts;
}

storage::RunId record_beside(const LiveStore& bench, const RecordedNight& recorded, const std::vector<night::Act>& acts,
                             std::uint64_t seed, double offset_w, double gain) {
  night::Meter meter;
  meter.step_w = 0.0;
  std::vector<Reading> readings;
  for (const auto& [time, power] : night::play(acts, meter, seed).readings) {
    const double shown = power < 0.05 ? 0.0 : offset_w + gain * power;
    const double rounded = std::round(shown / recorded.step_w) * recorded.step_w;
    Reading reading;
    reading.time = recorded.begin + (time - UtcTime{});
    reading.values.set(Quantity::power, {static_cast<std::int64_t>(std::llround(rounded * 1000.0)), -3});
    readings.push_back(reading);
  }
  auto store = storage::StoreWriter::open(bench.path("store.db"), {});
  REQUIRE(store);
  REQUIRE(store->begin());
  const auto stream = store->stream_for_meter(recorded.meter);
  REQUIRE(stream);
  REQUIRE(store->apply(storage::AppendReadings{*stream, readings}));
  storage::NewRun run;
  run.stream = *stream;
  run.device = recorded.device;
  run.begin = readings.front().time;
  run.includes = recorded.includes;
  run.conditions = recorded.conditions;
  run.traits.resolution_w = recorded.step_w;
  if (recorded.accuracy) run.traits.accuracy = *Accuracy::parse(*recorded.accuracy);
  run.traits.correction = recorded.correction;
  const auto id = store->open_run(run);
  REQUIRE(id);
  figures::RunRecorder builder(*id, {run.traits, run.shortest_segment_s});
  for (const Reading& reading : readings) builder.push(reading);
  REQUIRE(builder.finish(*store, readings.back().time));
  REQUIRE(store->commit());
  return *id;
}

storage::RunId record_night(const LiveStore& bench, const RecordedNight& night, const std::vector<night::Act>& acts,
                            std::uint64_t seed) {
  return record_beside(bench, night, acts, seed, 0.0, 1.0);
}

}  // namespace nightwatt::test
