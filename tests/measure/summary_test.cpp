#include "measure/summary.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <functional>

using namespace nightwatt;

namespace {

Segment segment(SegmentKind kind, double begin_s, double end_s, std::optional<double> level_w,
                double uncertainty_w = 0.1) {
  Segment s;
  s.kind = kind;
  s.begin = UtcTime{static_cast<std::int64_t>(begin_s * 1e6)};
  s.end = UtcTime{static_cast<std::int64_t>(end_s * 1e6)};
  s.level_w = level_w;
  if (level_w) s.uncertainty_w = uncertainty_w;
  return s;
}

RunTotals some_totals(int samples = 100) {
  RunTotals totals;
  for (int i = 0; i < samples; ++i) {
    Reading r;
    r.time = UtcTime{i * 1'000'000};
    r.values.set(Quantity::power, Decimal{10, 0});
    totals.push(r);
  }
  return totals;
}

}  // namespace

TEST_CASE("idle is weighted by length and its spread counts") {
  const std::vector<Segment> segments = {segment(SegmentKind::idle, 0, 300, 10.0),
                                         segment(SegmentKind::plateau, 300, 600, 50.0),
                                         segment(SegmentKind::idle, 600, 700, 11.0)};
  const Summary summary = summarise(segments, some_totals(), {}, 0);
  REQUIRE(summary.idle.has_value());
  CHECK(summary.idle->value == Approx(10.25));
  CHECK(summary.idle->uncertainty > 0.5);  // two levels a watt apart
  const std::vector<Segment> alike = {segment(SegmentKind::idle, 0, 300, 10.0),
                                      segment(SegmentKind::idle, 600, 700, 10.0)};
  CHECK(summarise(alike, some_totals(), {}, 0).idle->uncertainty == Approx(0.1));
}

TEST_CASE("a counter that runs backwards or jumps about gives no figure and a warning") {
  const auto of = [](double power_w, const std::function<std::int64_t(int)>& counter) {
    RunTotals totals;
    for (int i = 0; i < 100; ++i) {
      Reading r;
      r.time = UtcTime{i * 1'000'000};
      r.values.set(Quantity::power, Decimal{static_cast<std::int64_t>(power_w), 0});
      r.values.set(Quantity::energy, Decimal{counter(i), 0});
      totals.push(r);
    }
    return summarise({}, totals, {}, 0);
  };
  const auto warned = [](const Summary& summary, const std::string& words) {
    return std::any_of(summary.warnings.begin(), summary.warnings.end(),
                       [&](const std::string& warning) { return warning.find(words) != std::string::npos; });
  };
  const Summary backwards = of(10, [](int i) { return 9000 - i; });
  CHECK_FALSE(backwards.counter_wh.has_value());
  CHECK(warned(backwards, "ran backwards"));
  const Summary jumping = of(10, [](int i) { return i % 2 == 0 ? 9000 : 5000; });
  CHECK_FALSE(jumping.counter_wh.has_value());
  CHECK(warned(jumping, "no counter of energy"));
  const Summary back_once = of(10, [](int i) { return i < 50 ? 9000 + i : 5000 + i; });
  CHECK(back_once.counter_wh.has_value());
  CHECK(warned(back_once, "reset once"));
  CHECK(of(-3600, [](int i) { return 9000 - i; }).counter_wh == Approx(-99.0));  // what is given back counts down
}

TEST_CASE("load is the highest plateau held for two minutes, else the highest") {
  std::vector<Segment> segments = {segment(SegmentKind::plateau, 0, 120, 40.0),
                                   segment(SegmentKind::plateau, 200, 319, 60.0)};
  CHECK(summarise(segments, some_totals(), {}, 0).load->value == 40.0);
  segments[0].end = UtcTime{119'000'000};
  CHECK(summarise(segments, some_totals(), {}, 0).load->value == 60.0);
}

TEST_CASE("power below zero is warned of, noise about zero is not") {
  const auto warned = [](double level_w) {
    const std::vector<Segment> segments = {segment(SegmentKind::off, 0, 300, level_w, 0.1)};
    const std::vector<std::string> warnings = summarise(segments, some_totals(), {}, 0).warnings;
    return std::any_of(warnings.begin(), warnings.end(),
                       [](const std::string& text) { return text.find("below 0 W") != std::string::npos; });
  };
  CHECK(warned(-20.0));
  CHECK_FALSE(warned(-0.05));
  CHECK_FALSE(warned(5.0));
}

TEST_CASE("a figure the run cannot give is absent") {
  const std::vector<Segment> segments = {segment(SegmentKind::unsteady, 0, 300, std::nullopt)};
  const Summary summary = summarise(segments, RunTotals{}, {}, 0);
  CHECK_FALSE(summary.idle.has_value());
  CHECK_FALSE(summary.load.has_value());
  CHECK_FALSE(summary.standby.has_value());
  CHECK_FALSE(summary.energy_wh.has_value());
  CHECK(summary.segments[static_cast<std::size_t>(SegmentKind::unsteady)] == 1);
}

TEST_CASE("the record's shortcomings are warned of, one sentence each") {
  std::vector<Segment> segments = {segment(SegmentKind::idle, 0, 300, 10.0)};
  segments[0].settling_unfinished = true;
  const std::vector<std::string> of_segments = {"what is called idle may be sleep"};
  const Summary summary = summarise(segments, some_totals(5), of_segments, 2);
  REQUIRE(summary.warnings.size() == 4);
  CHECK(summary.warnings[0].find("clock was set 2 times") != std::string::npos);
  CHECK(summary.warnings[1].find("only 5 readings") != std::string::npos);
  CHECK(summary.warnings[2].find("had not settled") != std::string::npos);
  CHECK(summary.warnings[3] == of_segments[0]);
}
