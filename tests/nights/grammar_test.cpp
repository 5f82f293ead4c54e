// Whether what the grammar calls true is true of the readings that it plays.
#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>

#include "night.hpp"

using namespace nightwatt::nights;

namespace {

std::vector<double> between(const Night& night, double from_s, double to_s) {
  std::vector<double> powers;
  for (const auto& [us, power_w] : night.readings)
    if (us >= std::llround(from_s * 1e6) && us < std::llround(to_s * 1e6)) powers.push_back(power_w);
  return powers;
}

double mean(const std::vector<double>& powers) {
  double sum = 0.0;
  for (const double power_w : powers) sum += power_w;
  return sum / static_cast<double>(powers.size());
}

double median(std::vector<double> powers) {
  const auto middle = powers.begin() + static_cast<std::ptrdiff_t>(powers.size() / 2);
  std::nth_element(powers.begin(), middle, powers.end());
  return *middle;
}

constexpr std::uint64_t seed = 8001;

}  // namespace

TEST_CASE("the readings of a held level are about its true level") {
  for (const std::string& sort : sort_names()) {
    const Night night = make_night(sort, seed);
    const Meter& meter = night.plan.meter;
    for (std::size_t i = 0; i < night.truth.segments.size(); ++i) {
      const TrueSegment& truth = night.truth.segments[i];
      if (!truth.level_w) continue;
      const double from_s = truth.begin_s + (truth.end_s - truth.begin_s) / 3.0;
      const bool turns = night.plan.acts[i].turns;
      const std::vector<double> powers = between(night, turns ? truth.begin_s : from_s, truth.end_s);
      CAPTURE(sort, i, truth.begin_s, *truth.level_w);
      REQUIRE_FALSE(powers.empty());
      // A display that cuts off shows half a step less.
      const double seen = (turns ? mean(powers) : median(powers)) + (meter.truncates ? 0.5 * meter.step_w : 0.0);
      CHECK(std::abs(seen - *truth.level_w) <= 0.51 * meter.step_w + (turns ? 0.05 : 0.02) * *truth.level_w);
    }
  }
}

TEST_CASE("the true segments of a night follow each other from its begin to its end") {
  for (const std::string& sort : sort_names()) {
    const Night night = make_night(sort, seed);
    CAPTURE(sort);
    double at_s = 0.0;
    for (const TrueSegment& truth : night.truth.segments) {
      CHECK(truth.begin_s == Approx(at_s));
      CHECK(truth.end_s > truth.begin_s);
      at_s = truth.end_s;
    }
    CHECK(at_s == Approx(length_s(night.plan)));
    CHECK(static_cast<double>(night.readings.back().first) * 1e-6 <= at_s + night.plan.meter.interval_s);
    for (std::size_t k = 1; k < night.readings.size(); ++k)
      REQUIRE(night.readings[k].first > night.readings[k - 1].first);
  }
}

TEST_CASE("a seed is one night, another seed or another sort another") {
  const Night night = make_night("mixture", seed);
  CHECK(make_night("mixture", seed).readings == night.readings);
  CHECK(make_night("mixture", seed + 1).readings != night.readings);
  CHECK(make_night("plain", seed).readings != night.readings);
  CHECK_THROWS(make_night("no such sort", seed));
}

TEST_CASE("a part of a plan plays what the whole plays in that time") {
  for (const std::string sort : {"ramps", "charging-on", "fast-turns", "bursts", "settling"}) {
    const Plan whole = make_night(sort, seed).plan;
    const double from_s = 0.3 * length_s(whole), to_s = 0.7 * length_s(whole);
    const Plan part = cropped(whole, from_s, to_s);
    CAPTURE(sort);
    CHECK(length_s(part) == Approx(to_s - from_s));
    const auto at = [](const Plan& plan, double t) {
      for (const Act& act : plan.acts) {
        const double length = act.length_s - act.skip_s;
        if (t < length) return power_w(act, t + act.skip_s);
        t -= length;
      }
      return -1.0;
    };
    for (int k = 1; k < 200; ++k) {
      const double t = (to_s - from_s) * k / 200.0;
      CHECK(at(part, t) == Approx(at(whole, from_s + t)));
    }
  }
}

TEST_CASE("every figure is judged on many nights, and left open on some") {
  std::array<int, figure_count> judged{}, open{};
  for (const std::string& sort : sort_names())
    for (std::uint64_t other = seed; other < seed + 3; ++other) {
      const Night night = make_night(sort, other);
      for (std::size_t f = 0; f < figure_count; ++f) ++(night.truth.figures[f].judged ? judged : open)[f];
    }
  for (std::size_t f = 0; f < figure_count; ++f) {
    CAPTURE(figure_names[f], judged[f], open[f]);
    CHECK(judged[f] >= 30);
    CHECK(open[f] >= 1);
  }
}
