// What the simulated device draws: closed forms against sums, and noise against its own definition.
#include <catch2/catch.hpp>
#include <cmath>

#include "sim/model.hpp"

namespace nightwatt::sim {
namespace {

Model make(std::string_view text, std::uint64_t seed = 7) {
  auto script = parse_script(text, "test");
  REQUIRE(script);
  return Model(std::move(*script), seed);
}

constexpr std::string_view night =
    "energy 100\nlevel 0 for 20\nlevel 1.5 for 30\nirregular 10 40 every 0.7s for 25\nramp 38 for 5\n"
    "settle 25 from 28 tau 60s for 300\ncycle 8 26 every 30s on 0.4 for 200\nlevel 8 for 100\n";

TEST_CASE("the energy counter is the integral of the power over every kind of stage") {
  const Model model = make(night);
  // Independent: a midpoint sum in steps of 1 ms. Jumps of up to 30 W cost at most half a step each: 30 W x 0.5 ms,
  // some 60 of them, below 1 Ws; the rest is second order.
  double sum_ws = 0.0;
  for (int ms = 0; ms < 780'000; ++ms) {
    sum_ws += model.power_w((ms + 0.5) * 1e-3) * 1e-3;
    if (ms % 97'000 == 0) CHECK(model.energy_wh((ms + 1) * 1e-3) == Approx(100.0 + sum_ws / 3600.0).margin(1.0 / 3600));
  }
  CHECK(model.energy_wh(780.0) == Approx(100.0 + sum_ws / 3600.0).margin(1.0 / 3600));
}

TEST_CASE("after the script the last level is held, and counted") {
  const Model model = make("level 3 for 10\nlevel 36 for 10");
  CHECK(model.power_w(1e6) == 36.0);
  CHECK(model.energy_wh(20.0 + 3600.0) - model.energy_wh(20.0) == Approx(36.0));
}

TEST_CASE("what is measured at an instant depends on seed and instant only") {
  const std::string text = "noise white 0.3\nnoise correlated 0.4 over 20s\nlevel 25 for 600\n";
  const Model one = make(text), other = make(text), reseeded = make(text, 8);
  int different = 0;
  for (int i = 0; i < 200; ++i) (void)one.measured(Quantity::power, 3.0 * i);
  for (int i = 199; i >= 0; --i) {
    CHECK(one.measured(Quantity::power, 2.5 * i) == other.measured(Quantity::power, 2.5 * i));
    different += one.measured(Quantity::power, 2.5 * i) != reseeded.measured(Quantity::power, 2.5 * i) ? 1 : 0;
  }
  CHECK(different == 200);
}

TEST_CASE("white noise has the scatter asked for and no memory") {
  const Model model = make("noise white 0.5\nlevel 100 for 20000\n");
  double sum = 0.0, squares = 0.0, products = 0.0, last = 0.0;
  constexpr int n = 20'000;
  for (int i = 0; i < n; ++i) {
    const double x = model.measured(Quantity::power, i) - 100.0;
    sum += x;
    squares += x * x;
    products += x * last;
    last = x;
  }
  // Seed 7. Five standard errors each: of the mean s/sqrt(n), of the deviation s/sqrt(2n), of the correlation
  // 1/sqrt(n).
  CHECK(std::abs(sum / n) < 5 * 0.5 / std::sqrt(n));
  CHECK(std::sqrt(squares / n) == Approx(0.5).margin(5 * 0.5 / std::sqrt(2.0 * n)));
  CHECK(std::abs(products / squares) < 5 / std::sqrt(n));
}

TEST_CASE("correlated noise has the scatter asked for, remembers a second and forgets twice its time") {
  const Model model = make("noise correlated 0.5 over 10s\nlevel 100 for 200000\n");
  double squares = 0.0, near = 0.0, far = 0.0;
  constexpr int n = 100'000;
  for (int i = 0; i < n; ++i) {
    const double x = model.measured(Quantity::power, i) - 100.0;
    squares += x * x;
    near += x * (model.measured(Quantity::power, i + 1.0) - 100.0);
    far += x * (model.measured(Quantity::power, i + 21.0) - 100.0);
  }
  // Seed 7; n/20 independent pieces or more, five standard errors.
  const double margin = 5 / std::sqrt(n / 20.0);
  CHECK(std::sqrt(squares / n) == Approx(0.5).margin(0.5 * margin));
  CHECK(near / squares > 0.9);
  CHECK(std::abs(far / squares) < margin);
}

TEST_CASE("nothing plugged in shows exactly nothing, whatever the noise") {
  const Model model = make("noise white 5\nlevel 0 for 100\n");
  for (int i = 0; i < 100; ++i) REQUIRE(model.measured(Quantity::power, i) == 0.0);
}

TEST_CASE("voltage, current, power factor, apparent and reactive power belong together") {
  const Model model = make("voltage 230\npower_factor 0.6\nlevel 60 for 10\n");
  const double apparent = model.measured(Quantity::apparent, 1.0);
  CHECK(apparent == Approx(100.0));                                // 60 W / 0.6
  CHECK(model.measured(Quantity::reactive, 1.0) == Approx(80.0));  // the 3-4-5 triangle
  CHECK(model.measured(Quantity::current, 1.0) * 230.0 == Approx(apparent));
}

TEST_CASE("a display rounds or truncates to its step, and prints as many decimals as the step has") {
  CHECK(on_display(25.96, 1.0, DisplayRule::round) == 26.0);
  CHECK(on_display(25.96, 1.0, DisplayRule::truncate) == 25.0);
  CHECK(on_display(0.1 + 0.2, 0.1, DisplayRule::truncate) == Approx(0.3));
  CHECK(on_display(-0.4, 1.0, DisplayRule::round) == 0.0);
  CHECK(decimals_of(1.0) == 0);
  CHECK(decimals_of(0.1) == 1);
  CHECK(decimals_of(2.5) == 1);
  CHECK(decimals_of(0.005) == 3);
  CHECK(fixed_text(-0.04, 1) == "0.0");
  CHECK(fixed_text(25.0, 2) == "25.00");
}

}  // namespace
}  // namespace nightwatt::sim
