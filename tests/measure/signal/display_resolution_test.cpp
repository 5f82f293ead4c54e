// The display step that is learnt where none is given: from the digits, and from a display on the move.
#include <catch2/catch.hpp>
#include <vector>

#include "measure/uncertainty/level_budget.hpp"

using namespace nightwatt;

namespace {

void show(std::vector<double>& readings, double power_w, int times) {
  readings.insert(readings.end(), static_cast<std::size_t>(times), power_w);
}

}  // namespace

TEST_CASE("the digits shown bound the step: rounding of doubles is none of them") {
  CHECK(learnt_step(std::vector<double>{25.3, 25.1, 25.1 + 1e-14, 26.0}) == Approx(0.1));
  CHECK(learnt_step(std::vector<double>{12.34}) == Approx(0.01));
  CHECK(learnt_step(std::vector<double>{0.000001, 5.0}) == Approx(1e-6));
  CHECK(learnt_step(std::vector<double>{}) == 0.0);
}

TEST_CASE("no display is taken to be coarser than a watt for standing still") {
  std::vector<double> readings;
  show(readings, 100.0, 600);
  CHECK(learnt_step(readings) == 1.0);
  show(readings, 300.0, 600);
  show(readings, 100.0, 600);
  CHECK(learnt_step(readings) == 1.0);
}

TEST_CASE("the difference of two levels is no step, however often they take turns") {
  std::vector<double> readings;
  for (int i = 0; i < 20; ++i) {
    show(readings, 8.0, 60);
    show(readings, 25.0, 60);
  }
  CHECK(learnt_step(readings) == 1.0);
}

TEST_CASE("a display on the move shows the step it goes by") {
  std::vector<double> half, ten;
  for (int i = 0; i < 20; ++i) {
    show(half, i % 3 == 0 ? 8.5 : 8.0, 2);
    show(ten, i % 3 == 0 ? 1210.0 : 1200.0, 2);
  }
  CHECK(learnt_step(half) == Approx(0.5));
  CHECK(learnt_step(ten) == Approx(10.0));
  half.push_back(8.1);  // one digit that does not fit, and it is finer
  CHECK(learnt_step(half) == Approx(0.1));
}

TEST_CASE("a display of half watts is known by its levels, though it stands still") {
  std::vector<double> readings;
  for (const double level_w : {8.0, 4.5, 4.5}) show(readings, level_w, 300);
  CHECK(learnt_step(readings) == Approx(0.1));  // one number since the first half may be a half by chance
  show(readings, 21.0, 300);
  CHECK(learnt_step(readings) == Approx(0.5));
  show(readings, 4.6, 1);
  CHECK(learnt_step(readings) == Approx(0.1));
  std::vector<double> whole;
  for (const double level_w : {5.0, 10.0, 25.0, 40.0, 55.0}) show(whole, level_w, 300);
  CHECK(learnt_step(whole) == 1.0);
}
