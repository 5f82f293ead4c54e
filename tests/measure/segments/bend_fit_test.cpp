// Bends and lines against independent programs and published data.
#include "measure/segment/bend_fit.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <vector>

#include "measure/uncertainty/line_sums.hpp"
#include "peers.hpp"

using namespace nightwatt;

TEST_CASE("a bend lies where the independent program segmented puts it") {
  const peers::Series s = peers::series("bend.csv");
  const std::vector<double> theirs = peers::answer("bend");  // bend, its deviation, slopes before and after
  REQUIRE(theirs.size() == 4);
  const auto fit = fit_bend(s.time_s, s.power_w, {}, 0.0);
  REQUIRE(fit);
  CHECK(fit->at == Approx(theirs[0]).margin(2e-3));
  CHECK(fit->slope_before == Approx(theirs[2]).margin(2e-5));
  CHECK(fit->slope_after == Approx(theirs[3]).margin(2e-5));
  // Twice its deviation is their 95 %; ours is read off the likelihood and counts correlation.
  CHECK(fit->at_high - fit->at_low > 2.0 * theirs[1]);
  CHECK(fit->at_high - fit->at_low < 8.0 * theirs[1]);
  CHECK(fit->at_low <= 61.3);
  CHECK(fit->at_high >= 61.3);
}

TEST_CASE("a bend in exact lines is exact, flat or not, and five points have none") {
  std::vector<double> x, y;
  for (int i = 0; i < 40; ++i) {
    x.push_back(i);
    y.push_back(5.0 + 2.0 * std::max(0.0, i - 17.25));
  }
  for (const BendShape shape : {BendShape{}, BendShape{true, false}}) {
    const auto fit = fit_bend(x, y, shape, 0.0);
    REQUIRE(fit);
    CHECK(fit->at == Approx(17.25).margin(1e-4));
    CHECK(fit->level == Approx(5.0).margin(1e-4));
    CHECK(fit->slope_after == Approx(2.0).margin(1e-4));
  }
  x.resize(5);
  y.resize(5);
  CHECK_FALSE(fit_bend(x, y, {}, 0.0));
}

TEST_CASE("a ramp's running sums give the slopes of GUM H.3 and of NIST's Norris data") {
  // GUM H.3 (JCGM 100:2008), the recomputed slope 0.002182698 as in the test of fit_line.
  const std::vector<double> celsius = {21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                                       24.513, 25.002, 25.503, 26.010, 26.511};
  const std::vector<double> b = {-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160};
  LineSums thermometer;
  for (std::size_t i = 0; i < b.size(); ++i) thermometer.add(celsius[i], b[i]);
  CHECK(thermometer.slope() == Approx(0.002182698).margin(5e-10));
  CHECK(thermometer.at(30.0) == Approx(-0.149376813).margin(5e-10));
  // In two halves that join, with a reading taken in and out again.
  LineSums first, second;
  for (std::size_t i = 0; i < b.size(); ++i) (i < 4 ? first : second).add(celsius[i], b[i]);
  second.add(1e3, 7.0);
  second.add(1e3, 7.0, -1.0);
  first.add(second);
  CHECK(first.slope() == Approx(thermometer.slope()).epsilon(1e-9));
  const auto& norris = peers::norris();
  LineSums certified;
  for (const auto& [x, y] : norris) certified.add(1.7e9 + x, y);  // as a time of today
  CHECK(certified.slope() == Approx(1.00211681802045).epsilon(1e-8));
}
