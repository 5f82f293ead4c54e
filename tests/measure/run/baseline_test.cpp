#include "measure/run/baseline.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <random>

#include "made_segments.hpp"
#include "measure/uncertainty/figure.hpp"

using namespace nightwatt;
using made::Made;
using made::segments;

namespace {

/// A burst of a minute at 21.55 W in each 15 min at 7.30 W, from the middle of one rest to the middle of another.
/// Worked: the energy of 900 s is 840 x 7.30 + 60 x 21.55 = 7425 Ws, 8.25 W on average.
std::vector<Made> with_bursts(int count) {
  std::vector<Made> acts;
  for (int i = 0; i < count; ++i) {
    acts.push_back({SegmentKind::idle, i == 0 ? 420.0 : 840.0, 7.30, 0.01});
    acts.push_back({SegmentKind::plateau, 60, 21.55, 0.1});
  }
  acts.push_back({SegmentKind::idle, 420, 7.30, 0.01});
  return acts;
}

}  // namespace

TEST_CASE("what idling costs counts the bursts of maintenance that the idle level leaves out") {
  const auto baseline = baseline_of(segments(with_bursts(32)), {0.01, std::nullopt});
  REQUIRE(baseline.has_value());
  CHECK(baseline->budget.level_w == Approx(8.25).epsilon(1e-9));
  CHECK(baseline->departures == 32);
  CHECK(baseline->departed_s == Approx(1920.0));
  CHECK(baseline->budget.uncertainty_w < 0.05);  // they come like clockwork; by chance it would be 0.34 W
}

TEST_CASE("a departure of five minutes belongs to idling, a longer one ends it") {
  const auto span_s = [](SegmentKind kind, double away_s) {
    const auto baseline =
        baseline_of(segments({{SegmentKind::idle, 600, 7.0}, {kind, away_s, 20.0}, {SegmentKind::idle, 900, 7.0}}), {});
    return to_seconds(baseline->end - baseline->begin).value;
  };
  for (const SegmentKind kind : {SegmentKind::plateau, SegmentKind::unsteady, SegmentKind::standby, SegmentKind::gap}) {
    CHECK(span_s(kind, 300) == Approx(1800.0));
    CHECK(span_s(kind, 301) == Approx(900.0));
  }
  CHECK(span_s(SegmentKind::off, 30) == Approx(900.0));
  CHECK(span_s(SegmentKind::charging, 30) == Approx(900.0));
}

TEST_CASE("of a gap no power is known, and it counts for no time") {
  const auto baseline = baseline_of(
      segments({{SegmentKind::idle, 600, 7.0}, {SegmentKind::gap, 60, 0.0}, {SegmentKind::idle, 200, 9.0}}), {});
  CHECK(baseline->budget.level_w == Approx((600 * 7.0 + 200 * 9.0) / 800.0));
}

TEST_CASE("without departures the baseline is the mean of idle and as sure") {
  const auto baseline = baseline_of(segments({{SegmentKind::idle, 3600, 7.0, 0.02}}), {0.01, std::nullopt});
  CHECK(baseline->budget.level_w == Approx(7.0));
  CHECK(baseline->budget.uncertainty_w == Approx(0.02));
  CHECK_FALSE(baseline_of(segments({{SegmentKind::plateau, 3600, 7.0}}), {}).has_value());
}

TEST_CASE("what a display hides of an idle it hides of the baseline") {
  // It shows 8.994 W all the time and bursts on top, its level is known to be 8.87 W; one that cuts off shows half a
  // step less.
  const double level_w = GENERATE(8.87, 9.50);
  std::vector<Segment> span = segments({{SegmentKind::idle, 3600, level_w, 0.12}});
  span[0].shown_w = 8.994;
  span[0].mean_w = 9.094;  // a tenth of a watt of excursions
  CHECK(baseline_of(span, {0.5, std::nullopt})->budget.level_w == Approx(level_w + 0.1));
}

TEST_CASE("the meter's promise and the display are not averaged away") {
  // 1 % of 8.25 W, a rectangle: 0.0825 / sqrt(3) = 0.0476 W standard.
  Accuracy permissible_error;
  permissible_error.percent = 1.0;
  const auto sure = baseline_of(segments(with_bursts(32)), {0.0, std::nullopt});
  const auto promised = baseline_of(segments(with_bursts(32)), {0.0, permissible_error});
  const double added = std::sqrt(std::pow(promised->budget.standard_w, 2) - std::pow(sure->budget.standard_w, 2));
  CHECK(added == Approx(0.0825 / std::sqrt(3.0)).epsilon(1e-4));
}

TEST_CASE("one departure may as well have been none or five") {
  // Garwood's interval of a count of one, 95.45 %: up to 5.67; so 4.67 more of 60 s x 14.25 W in 900 s, 4.4 W.
  const auto baseline = baseline_of(segments(with_bursts(1)), {0.0, std::nullopt});
  CHECK(baseline->budget.uncertainty_w == Approx(4.67 * 60.0 * 14.25 / 900.0).epsilon(0.01));
}

TEST_CASE(
    "the baseline's interval holds the long-run mean, whether departures come by chance or by the clock, seed 3") {
  // Bursts of 14.25 W more, 20 to 100 s long; what they cost in the long run is their mean share of the time.
  const bool by_clock = GENERATE(true, false);
  const int hours = GENERATE(1, 8);
  CAPTURE(by_clock, hours);
  std::mt19937 random(3);
  std::uniform_real_distribution<double> even(0.0, 1.0);
  int held = 0;
  constexpr int runs = 1500;
  for (int run = 0; run < runs; ++run) {
    std::vector<Made> acts;
    const auto rest_s = [&] {
      return by_clock ? 840.0 * (0.95 + 0.1 * even(random)) : -840.0 * std::log(even(random));
    };
    double left_s = hours * 3600.0, rest = by_clock ? rest_s() * even(random) : rest_s();
    while (left_s > rest + 100.0) {
      const double burst_s = 20.0 + 80.0 * even(random);
      acts.push_back({SegmentKind::idle, std::max(1.0, rest), 7.30, 0.001});
      acts.push_back({SegmentKind::plateau, burst_s, 21.55, 0.1});
      left_s -= rest + burst_s;
      rest = rest_s();
    }
    acts.push_back({SegmentKind::idle, std::max(1.0, left_s), 7.30, 0.001});
    const double truth = (840.0 * 7.30 + 60.0 * 21.55) / 900.0;
    const auto baseline = baseline_of(segments(acts), {0.0, std::nullopt});
    // No departure was seen: nothing is known of any.
    held += baseline->departures == 0 || std::abs(baseline->budget.level_w - truth) <= baseline->budget.uncertainty_w;
  }
  CHECK(held >= 0.93 * runs);
}
