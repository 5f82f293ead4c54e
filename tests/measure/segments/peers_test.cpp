// The segmenter beside independent programs: circular binary segmentation (DNAcopy) and broken lines (segmented).
#include <catch2/catch.hpp>
#include <vector>

#include "measure/segment/change_points.hpp"
#include "night.hpp"
#include "peers.hpp"

using namespace nightwatt;

namespace {

night::Night night_of(const peers::Series& s) {
  night::Night n;
  for (std::size_t i = 0; i < s.time_s.size(); ++i)
    n.readings.emplace_back(UtcTime{to_duration({s.time_s[i]}).count()}, s.power_w[i]);
  return n;
}

std::vector<std::int64_t> changes_of(const std::vector<double>& y) {
  ChangePoints engine;
  for (const double v : y) engine.push(v);
  engine.finish();
  return engine.take_final();
}

double seconds(UtcTime t) {
  return static_cast<double>(t.us) * 1e-6;
}

}  // namespace

TEST_CASE("the engine finds the changes that circular binary segmentation finds, a reading either way") {
  for (const char* name : {"steps", "close_step"}) {
    const std::vector<double> theirs = peers::answer(name);
    const std::vector<std::int64_t> ours = changes_of(peers::series(std::string(name) + ".csv").power_w);
    CAPTURE(name, ours, theirs);
    REQUIRE_FALSE(theirs.empty());
    REQUIRE(ours.size() == theirs.size());
    for (std::size_t i = 0; i < ours.size(); ++i) CHECK(std::abs(static_cast<double>(ours[i]) - theirs[i]) <= 1.0);
  }
}

TEST_CASE("segments begin in the interval before the first reading that circular binary segmentation puts in them") {
  const std::vector<double> theirs = peers::answer("steps");
  const Classified result = night::segment(night_of(peers::series("steps.csv")), {});
  REQUIRE(result.segments.size() == theirs.size() + 1);
  for (std::size_t i = 0; i < theirs.size(); ++i)
    CHECK(std::abs(seconds(result.segments[i + 1].begin) - (theirs[i] - 0.5)) <= 0.5);
}

TEST_CASE("a ramp's ends and slope are those that the independent program segmented finds") {
  const std::vector<double> theirs = peers::answer("ramp");  // two bends, their deviations, three slopes
  REQUIRE(theirs.size() == 7);
  const Classified result = night::segment(night_of(peers::series("ramp.csv")), {});
  REQUIRE(result.segments.size() == 3);
  const Segment& ramp = result.segments[1];
  REQUIRE(ramp.kind == SegmentKind::ramp);
  // Ours looks at half a minute either side of a bend, theirs at everything: two of their deviations of either.
  CHECK(seconds(ramp.begin) == Approx(theirs[0]).margin(4.0 * theirs[2]));
  CHECK(seconds(ramp.end) == Approx(theirs[1]).margin(4.0 * theirs[3]));
  CHECK(*ramp.drift_w_per_h / 3600.0 == Approx(theirs[5]).epsilon(0.005));
  CHECK(std::abs(seconds(ramp.begin) - 150.4) <= ramp.begin_uncertainty_s);
  CHECK(std::abs(seconds(ramp.end) - 231.7) <= ramp.end_uncertainty_s);
}

TEST_CASE("a ramp of NIST's Norris data has the certified slope") {
  // 20 units of x a second, y in watts: a ramp of 50 s between two levels. Certified slope 1.00211681802045, deviation
  // 0.000429796848199937; the few readings at the ends may fall to the levels.
  night::Night n;
  for (int i = -120; i < 0; ++i) n.readings.emplace_back(UtcTime{i * 5'000'000LL}, 0.0);
  UtcTime last;
  for (const auto& [x, y] : peers::norris()) {
    UtcTime t{static_cast<std::int64_t>(x / 20.0 * 1e6)};
    if (t <= last) t.us = last.us + 1;
    n.readings.emplace_back(t, y);
    last = t;
  }
  for (int i = 1; i <= 120; ++i) n.readings.emplace_back(UtcTime{50'000'000 + i * 5'000'000LL}, 1001.0);
  const Classified result = night::segment(n, {});
  REQUIRE(result.segments.size() == 3);
  REQUIRE(result.segments[1].kind == SegmentKind::ramp);
  CHECK(*result.segments[1].drift_w_per_h / 3600.0 / 20.0 == Approx(1.00211681802045).margin(3.0 * 0.00043));
}
