// The change-point engine against a slow obvious one, and on the kinds of data that break it.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include <vector>

#include "measure/segment/change_points.hpp"

using namespace nightwatt;

namespace {

/// Sum of squares about the mean, two passes.
double segment_cost(const std::vector<double>& y, std::size_t a, std::size_t b) {
  double sum = 0.0, cost = 0.0;
  for (std::size_t i = a; i < b; ++i) sum += y[i];
  const double mean = sum / static_cast<double>(b - a);
  for (std::size_t i = a; i < b; ++i) cost += (y[i] - mean) * (y[i] - mean);
  return cost;
}

/// Optimal partitioning as Jackson et al. wrote it down (IEEE Signal Processing Letters 12 (2005) 105, doi
/// 10.1109/LSP.2001.838216): every end against every begin. The least cost, changes counted.
double least_cost(const std::vector<double>& y, double penalty) {
  std::vector<double> best(y.size() + 1, 0.0);
  best[0] = -penalty;
  for (std::size_t end = 1; end <= y.size(); ++end) {
    best[end] = best[0] + penalty + segment_cost(y, 0, end);
    for (std::size_t begin = 1; begin < end; ++begin)
      best[end] = std::min(best[end], best[begin] + penalty + segment_cost(y, begin, end));
  }
  return best[y.size()];
}

double cost_of(const std::vector<double>& y, const std::vector<std::int64_t>& changes, double penalty) {
  double cost = penalty * static_cast<double>(changes.size());
  std::size_t from = 0;
  for (const std::int64_t c : changes) {
    cost += segment_cost(y, from, static_cast<std::size_t>(c));
    from = static_cast<std::size_t>(c);
  }
  return cost + segment_cost(y, from, y.size());
}

std::vector<double> random_series(std::mt19937_64& random) {
  const auto uniform = [&] { return static_cast<double>(random() >> 11) * 0x1.0p-53; };
  const std::size_t n = static_cast<std::size_t>(1 + random() % 60);
  const double step = random() % 3 == 0 ? 1.0 : 0.0;
  const double trend = random() % 4 == 0 ? uniform() : 0.0;
  const double offset = random() % 5 == 0 ? 1e6 : 0.0;
  std::vector<double> y;
  double level = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    if (random() % 12 == 0) level = 10.0 * uniform();
    double v = offset + level + trend * static_cast<double>(i) + uniform() - 0.5;
    if (step > 0.0) v = std::round(v);
    y.push_back(v);
  }
  return y;
}

std::vector<std::int64_t> changes_of(ChangePoints& engine) {
  engine.finish();
  return engine.take_final();
}

std::vector<std::int64_t> changes_of(const std::vector<double>& y) {
  ChangePoints engine;
  for (const double v : y) engine.push(v);
  return changes_of(engine);
}

}  // namespace

TEST_CASE("the engine's partition costs what the best of all partitions costs, on 4000 random series") {
  const std::uint64_t seed = 20260105;
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  for (int k = 0; k < 4000; ++k) {
    const std::vector<double> y = random_series(random);
    const double penalty = std::exp(6.0 * static_cast<double>(random() >> 11) * 0x1.0p-53 - 3.0);
    OptimalPartition engine(1 << 20, 0);
    for (const double v : y) engine.push(v, penalty);
    engine.finish();
    const std::vector<std::int64_t> changes = engine.take_final();
    const double least = least_cost(y, penalty);
    CAPTURE(k, y.size(), penalty, changes);
    REQUIRE(cost_of(y, changes, penalty) == Approx(least).epsilon(1e-9).margin(1e-7));
  }
}

TEST_CASE("a change called final early is in the best partition of the whole series") {
  const std::uint64_t seed = 77;
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  for (int k = 0; k < 300; ++k) {
    std::vector<double> y;
    while (y.size() < 150) {
      const std::vector<double> more = random_series(random);
      y.insert(y.end(), more.begin(), more.end());
    }
    OptimalPartition engine(1 << 20, 0);
    std::vector<std::int64_t> final_early, all;
    for (const double v : y) {
      engine.push(v, 3.0);
      for (const std::int64_t c : engine.take_final()) final_early.push_back(c);
    }
    all = final_early;
    engine.finish();
    for (const std::int64_t c : engine.take_final()) all.push_back(c);
    REQUIRE(std::is_sorted(all.begin(), all.end()));
    REQUIRE(cost_of(y, all, 3.0) == Approx(least_cost(y, 3.0)).epsilon(1e-9).margin(1e-6));
  }
}

TEST_CASE("a constant has no change, and neither has a single number or none") {
  CHECK(changes_of(std::vector<double>(5000, 42.0)).empty());
  CHECK(changes_of({1.0}).empty());
  CHECK(changes_of(std::vector<double>{}).empty());
  CHECK(changes_of({1.0, 1.0}).empty());
}

TEST_CASE("a display that toggles between two counts has no change") {
  const std::uint64_t seed = 3;
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  std::vector<double> y;
  for (int i = 0; i < 20000; ++i) y.push_back(random() % 10 < 3 ? 88.0 : 87.0);
  CHECK(changes_of(y).size() <= 1);
}

TEST_CASE("a step of three noise widths is found where it is, and only it") {
  const std::uint64_t seed = 9;
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal;
  std::vector<double> y;
  for (int i = 0; i < 400; ++i) y.push_back((i < 170 ? 10.0 : 13.0) + normal(random));
  const std::vector<std::int64_t> changes = changes_of(y);
  REQUIRE(changes.size() == 1);
  CHECK(std::abs(changes[0] - 170) <= 3);
}

TEST_CASE("a single reading away from the rest is no change") {
  std::vector<double> y(300, 5.0);
  for (std::size_t i = 0; i < y.size(); ++i) y[i] += 0.01 * static_cast<double>(i % 3);
  y[150] = 500.0;
  CHECK(changes_of(y).empty());
}

TEST_CASE("correlated noise and random walks are not cut to pieces") {
  const std::uint64_t seed = 21;
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal;
  std::vector<double> correlated, walk;
  double x = 0.0, w = 0.0;
  for (int i = 0; i < 1500; ++i) {
    x = 0.8 * x + normal(random);
    w += normal(random);
    correlated.push_back(x);
    walk.push_back(w);
  }
  CHECK(changes_of(correlated).empty());
  CHECK(changes_of(walk).size() <= 6);
}

TEST_CASE("a cut is a change and nothing is averaged across it") {
  ChangePoints engine;
  for (int i = 0; i < 50; ++i) engine.push(5.0);
  engine.cut();
  for (int i = 0; i < 50; ++i) engine.push(5.0);
  CHECK(changes_of(engine) == std::vector<std::int64_t>{50});
}

TEST_CASE("memory stays bounded on long series of every sort") {
  const std::uint64_t seed = 5;
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  OptimalPartition engine(2048, 0);
  std::size_t most = 0;
  double level = 0.0;
  for (int i = 0; i < 300000; ++i) {
    level += i % 100000 < 50000 ? 0.01 : 0.0;  // endless ramps are the worst case
    engine.push(level + static_cast<double>(random() % 1000) * 0.001, 1.0);
    most = std::max(most, engine.pieces());
    if (engine.has_final()) static_cast<void>(engine.take_final());
  }
  CHECK(most < 200);
}
