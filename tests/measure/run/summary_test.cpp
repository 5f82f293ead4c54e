#include "measure/run/summary.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <functional>

#include "made_segments.hpp"

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

TEST_CASE("the idles of one state are weighted by length and their spread counts") {
  // Worked: 0.4 W are 4 % of 10 W, one state; (300 x 10.0 + 100 x 10.4) / 400 = 10.1 W.
  const std::vector<Segment> segments = {segment(SegmentKind::idle, 0, 300, 10.0),
                                         segment(SegmentKind::plateau, 300, 600, 50.0),
                                         segment(SegmentKind::idle, 600, 700, 10.4)};
  const Summary summary = summarise(segments, some_totals(), {}, 0);
  REQUIRE(summary.idle.has_value());
  CHECK(summary.idle->value == Approx(10.1));
  CHECK(summary.idle->uncertainty > 0.15);
  const std::vector<Segment> alike = {segment(SegmentKind::idle, 0, 300, 10.0),
                                      segment(SegmentKind::idle, 600, 700, 10.0)};
  CHECK(summarise(alike, some_totals(), {}, 0).idle->uncertainty == Approx(0.1).epsilon(0.1));
}

TEST_CASE("idles of different states are never pooled: the one held longest is quoted, the other told") {
  const std::vector<Segment> segments = {segment(SegmentKind::idle, 0, 300, 10.0),
                                         segment(SegmentKind::idle, 600, 700, 10.6)};
  const Summary summary = summarise(segments, some_totals(), {}, 0);
  CHECK(summary.idle->value == 10.0);
  CHECK(summary.idle->uncertainty == 0.1);
  REQUIRE(summary.states.size() == 2);
  CHECK(std::any_of(summary.warnings.begin(), summary.warnings.end(), [](const std::string& text) {
    return text ==
           "there was another idle level: 10.60 ± 0.10 W for 100 s, beside 10.00 ± 0.10 W for 5 min, "
           "which is quoted";
  }));
}

TEST_CASE("a desktop asleep and switched off softly has one standby figure, of the state held longest") {
  // The contract's: asleep 2.9 W for an hour, soft off 1.1 W for ten minutes.
  const Summary summary = summarise(made::segments({{SegmentKind::standby, 600, 1.1, 0.02},
                                                    {SegmentKind::unsteady, 60, 60.0},
                                                    {SegmentKind::idle, 1800, 41.0, 0.2},
                                                    {SegmentKind::standby, 3600, 2.9, 0.02}}),
                                    some_totals(), {}, 0);
  CHECK(summary.standby->value == 2.9);
  CHECK(summary.standby->uncertainty == 0.02);
  CHECK(summary.states.size() == 3);
}

TEST_CASE("a load that throttles has a load and a sustained figure") {
  // The contract's: ten minutes at 44.85 W, then forty at 37.97 W.
  const Summary summary = summarise(made::segments({{SegmentKind::idle, 600, 8.0, 0.05},
                                                    {SegmentKind::plateau, 600, 44.85, 0.1},
                                                    {SegmentKind::plateau, 2400, 37.97, 0.1},
                                                    {SegmentKind::idle, 600, 8.0, 0.05}}),
                                    some_totals(), {}, 0);
  CHECK(summary.load->value == 44.85);
  CHECK(summary.sustained->value == 37.97);
  CHECK(differ(summary.sustained, summary.load));
  CHECK_FALSE(differ(summary.load, summary.load));
}

TEST_CASE("quiet idle and what idling costs are two figures") {
  // 840 s at 7.30 W and 60 s at 21.55 W by turns: 8.25 W on average.
  std::vector<made::Made> acts = {{SegmentKind::idle, 420, 7.30, 0.01}};
  for (int i = 0; i < 32; ++i) {
    acts.push_back({SegmentKind::plateau, 60, 21.55, 0.1});
    acts.push_back({SegmentKind::idle, i < 31 ? 840.0 : 420.0, 7.30, 0.01});
  }
  const Summary summary = summarise(made::segments(acts), some_totals(), {}, 0, {0.01, std::nullopt});
  CHECK(summary.idle->value == Approx(7.30));
  CHECK(summary.baseline->value == Approx(8.25));
  CHECK(differ(summary.baseline, summary.idle));
}

TEST_CASE("a battery that fills is neither load nor idle") {
  const Summary summary =
      summarise(made::segments({{SegmentKind::charging, 5400, 44.0, 1.0}, {SegmentKind::idle, 3600, 4.2, 0.02}}),
                some_totals(), {}, 0);
  CHECK(summary.idle->value == 4.2);
  CHECK(summary.baseline->value == Approx(4.2));
  CHECK_FALSE(summary.load.has_value());
  CHECK_FALSE(summary.sustained.has_value());
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
  CHECK_FALSE(summary.sustained.has_value());
  CHECK_FALSE(summary.baseline.has_value());
  CHECK_FALSE(summary.energy_wh.has_value());
  // And each says why.
  std::vector<std::string_view> missing;
  for (const MissingFigure& figure : summary.missing) missing.push_back(figure.name);
  CHECK(missing == std::vector<std::string_view>{"idle", "standby", "load", "sustained", "baseline"});
  CHECK(missing_texts(summary)[2] == "no load: no level above idle was held");
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
