// Live, imported, in any pieces, after a kill anywhere: the same stretches to the bit, on every record at hand.
#include <catch2/catch.hpp>
#include <cstdlib>
#include <random>
#include <string>

#include "measure/uncertainty/regime_codec.hpp"
#include "night.hpp"
#include "tests/bench/trace_files.hpp"

using namespace nightwatt;

namespace {

using Readings = std::vector<std::pair<UtcTime, double>>;

constexpr std::size_t kills = 6;  // of a record and seed: each copies the whole state

std::string shared_data() {
  const char* elsewhere = std::getenv("NIGHTWATT_SHARED_DATA");
  return elsewhere != nullptr ? elsewhere : NIGHTWATT_SHARED_DATA;
}

std::string in_one_go(const Readings& readings) {
  Segmenter segmenter{SegmenterSettings{}};
  for (const auto& [time, power] : readings) segmenter.push(time, power);
  segmenter.finish(readings.back().first);
  std::string bytes;
  for (const Regime& s : segmenter.take_final()) bytes += encode_regime(s);
  return bytes;
}

/// Takes what is final, looks at the rest, and is killed and restored, at random readings.
std::string in_pieces(const Readings& readings, std::mt19937_64& random, std::size_t& largest_state) {
  const SegmenterSettings settings;
  Segmenter segmenter(settings);
  std::string bytes;
  const auto take = [&] {
    for (const Regime& s : segmenter.take_final()) bytes += encode_regime(s);
  };
  const std::size_t chunk = readings.size() / kills + 1;
  std::size_t next = static_cast<std::size_t>(random() % chunk);
  for (std::size_t i = 0; i < readings.size(); ++i) {
    segmenter.push(readings[i].first, readings[i].second);
    if (i != next) continue;
    next += static_cast<std::size_t>(1 + random() % (2 * chunk));
    if (random() % 2 == 0) take();
    if (random() % 4 == 0) static_cast<void>(segmenter.provisional());
    const std::string state = segmenter.save();
    largest_state = std::max(largest_state, state.size());
    Result<Segmenter> again = Segmenter::restore(settings, state);
    REQUIRE(again);
    segmenter = std::move(*again);
  }
  segmenter.finish(readings.back().first);
  take();
  return bytes;
}

void must_agree(const std::string& name, const Readings& readings, std::uint64_t seed) {
  CAPTURE(name, seed);
  REQUIRE_FALSE(readings.empty());
  std::mt19937_64 random(seed);
  std::size_t largest_state = 0;
  const bool same = in_one_go(readings) == in_pieces(readings, random, largest_state);
  CHECK(same);
  CHECK(largest_state < 1'000'000);
}

}  // namespace

TEST_CASE("real traces give the same stretches to the bit in any pieces and after kills anywhere") {
  std::size_t count = 0;
  for (const char* folder : {"/traces/computers", "/traces/plug"})
    for (const std::string& path : bench::trace_paths(shared_data() + folder)) {
      const bench::Trace trace = bench::read_trace(path, 0.0);
      must_agree(trace.name, trace.readings, 20260126 + count++);
    }
  if (count == 0) WARN("SKIPPED: no traces in " + shared_data() + "; one run of tests/data only");
  must_agree("computer-run-1",
             bench::read_trace(std::string(NIGHTWATT_TEST_DATA) + "/computer-run-1.csv", 0.0).readings, 3);
}

TEST_CASE("nights of every display, rate and device give the same stretches to the bit in any pieces") {
  std::uint64_t seed = 11;
  for (const night::Row& row : night::rows()) {
    if (row.meter.interval_s < 0.05) continue;  // half a million readings: the 10 Hz nights take the same way
    const night::Night n = night::play(night::plan(seed, row.device), row.meter, seed);
    must_agree(row.name, n.readings, seed);
    ++seed;
  }
  must_agree("ten levels", night::play(night::close_levels(4), {1.0, 0.0, 0.1}, 4).readings, 4);
}
