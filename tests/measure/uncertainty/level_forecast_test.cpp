// When a level's figure is good enough, against the closed form that holds where all parts are normal: GUM 4.2.3 and
// 5.1.2, u^2 = s^2 / n + b^2.
#include "measure/uncertainty/level_forecast.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

using namespace nightwatt;

namespace {

constexpr double certain = std::numeric_limits<double>::infinity();
constexpr double k = 2.0;  // of every expanded figure; GUM 6.3.3

BudgetPart part(PartKind kind, double uncertainty_w, bool rectangular = false) {
  BudgetPart result;
  result.kind = kind;
  result.uncertainty_w = uncertainty_w;
  result.degrees_of_freedom = certain;
  result.rectangular = rectangular;
  return result;
}

LevelBudget budget(double level_w, std::vector<BudgetPart> parts) {
  LevelBudget result;
  result.level_w = level_w;
  result.parts = std::move(parts);
  result.readings = 100;
  complete(result);
  return result;
}

}  // namespace

TEST_CASE("scatter alone: twice as uncertain as wanted takes four times the time") {
  const auto forecast = level_forecast(budget(10.0, {part(PartKind::statistics, 0.2 / k)}), 60.0);
  REQUIRE(forecast);
  CHECK(forecast->verdict == LevelForecast::Verdict::later);
  CHECK(forecast->share == Approx(0.02).epsilon(1e-3));
  REQUIRE(forecast->wait_s);
  CHECK(*forecast->wait_s == Approx(180.0).epsilon(0.01));
  CHECK(forecast->least_share == Approx(0.0).margin(1e-9));
}

TEST_CASE("beside a normal part that stays, the wait is what the sum of squares says") {
  const double stays = 0.04, scatter = 0.10;
  const auto forecast =
      level_forecast(budget(10.0, {part(PartKind::statistics, scatter), part(PartKind::meter_accuracy, stays)}), 30.0);
  REQUIRE(forecast);
  const double wanted = 0.1 / k;
  const double factor = scatter * scatter / (wanted * wanted - stays * stays);
  REQUIRE(forecast->wait_s);
  CHECK(*forecast->wait_s == Approx(30.0 * (factor - 1.0)).epsilon(0.01));
  CHECK(forecast->least_share == Approx(k * stays / 10.0).epsilon(1e-3));
}

TEST_CASE("a display of whole watts never gives 20 W to 1 %, and is named") {
  // A rectangle of half a watt either way has a deviation of 0.289 W (GUM 4.3.7), k = 2: 0.577 W, 2.9 % of 20 W.
  const auto forecast = level_forecast(
      budget(20.0, {part(PartKind::statistics, 0.01), part(PartKind::display_step, 0.5 / std::sqrt(3.0), true)}),
      600.0);
  REQUIRE(forecast);
  CHECK(forecast->verdict == LevelForecast::Verdict::never);
  CHECK(forecast->limits == std::vector{PartKind::display_step});
  CHECK(forecast->least_share == Approx(0.57735 / 20.0).epsilon(1e-2));
  CHECK_FALSE(forecast->wait_s);
}

TEST_CASE("two parts that are too much only together are both named") {
  const auto forecast =
      level_forecast(budget(10.0, {part(PartKind::statistics, 0.2), part(PartKind::display_step, 0.04),
                                   part(PartKind::meter_accuracy, 0.04)}),
                     60.0);
  REQUIRE(forecast);
  CHECK(forecast->verdict == LevelForecast::Verdict::never);
  CHECK(forecast->limits == std::vector{PartKind::display_step, PartKind::meter_accuracy});
}

TEST_CASE("a meter of 2 % never gives 1 %, however fine its display") {
  const auto forecast =
      level_forecast(budget(50.0, {part(PartKind::statistics, 0.1), part(PartKind::display_step, 0.001, true),
                                   part(PartKind::meter_accuracy, 1.0 / std::sqrt(3.0), true)}),
                     60.0);
  REQUIRE(forecast);
  CHECK(forecast->limits == std::vector{PartKind::meter_accuracy});
}

TEST_CASE("a level that is good already is not waited for") {
  const auto forecast = level_forecast(budget(10.0, {part(PartKind::statistics, 0.04)}), 60.0);
  REQUIRE(forecast);
  CHECK(forecast->verdict == LevelForecast::Verdict::good);
  CHECK_FALSE(forecast->wait_s);
}

TEST_CASE("nothing is foretold of a level that is not told from zero, or of two readings") {
  CHECK_FALSE(level_forecast(budget(0.0, {part(PartKind::statistics, 0.01)}), 60.0));
  CHECK_FALSE(level_forecast(budget(0.05, {part(PartKind::statistics, 0.1)}), 60.0));
  LevelBudget few = budget(10.0, {part(PartKind::statistics, 0.2)});
  few.readings = 2;
  CHECK_FALSE(level_forecast(few, 60.0));
}

TEST_CASE("readings that the display alone bounds do not get better with time") {
  LevelBudget bounded = budget(2.0, {part(PartKind::statistics, 0.02)});
  bounded.bounded_by_display = true;
  const auto forecast = level_forecast(bounded, 60.0);
  REQUIRE(forecast);
  CHECK(forecast->verdict == LevelForecast::Verdict::never);
  CHECK(forecast->limits == std::vector{PartKind::display_step});
}
