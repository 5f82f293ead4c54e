#include "measure/run/run_totals.hpp"

#include <catch2/catch.hpp>
#include <random>

using namespace nightwatt;

namespace {

Reading reading(double time_s, std::optional<double> power_w, const char* energy_wh = nullptr) {
  Reading r;
  r.time = UtcTime{static_cast<std::int64_t>(time_s * 1e6 + 0.5)};
  if (power_w) r.values.set(Quantity::power, *Decimal::from_double(*power_w));
  if (energy_wh) r.values.set(Quantity::energy, *Decimal::parse(energy_wh));
  return r;
}

}  // namespace

TEST_CASE("energy is the trapezoid and the mean is weighted by time") {
  // Recomputed example: 128.0 J over 10 s; time-weighted mean 12.8 W where the plain mean is 12.0 W.
  RunTotals totals;
  const double t[] = {0, 1, 2, 4, 7, 10};
  const double p[] = {10, 12, 11, 15, 14, 10};
  for (int i = 0; i < 6; ++i) totals.push(reading(t[i], p[i]));
  CHECK(*totals.energy_wh() == Approx(128.0 / 3600.0).epsilon(1e-14));
  CHECK(*totals.energy_wh() == Approx(0.0355556).margin(5e-8));
  CHECK(*totals.mean_w() == Approx(12.8).epsilon(1e-14));
  CHECK(*totals.peak_w() == 15.0);
  CHECK(totals.samples() == 6);
  CHECK(totals.gap_s() == 0.0);
}

TEST_CASE("100 W for an hour is 100 Wh, and a straight rise from 0 to 100 W is 50 Wh") {
  RunTotals flat, rise;
  for (int i = 0; i <= 3600; ++i) {
    flat.push(reading(i, 100.0));
    rise.push(reading(i, 100.0 * i / 3600.0));
  }
  CHECK(*flat.energy_wh() == Approx(100.0).epsilon(1e-13));
  CHECK(*rise.energy_wh() == Approx(50.0).epsilon(1e-9));
}

TEST_CASE("a million small terms beside a large one are not lost") {
  // 1 GW once, then a microwatt-level load: a plain sum of doubles would drop every small term's last digits.
  RunTotals totals;
  totals.push(reading(0, 8e9));
  totals.push(reading(1, 0.0));
  for (int i = 2; i < 200'000; ++i) totals.push(reading(i, 1e-7));
  // 8e9 J / 2 in the first second, then the ramp 0 to 1e-7 in one second, then 199997 s of 1e-7 W.
  const double small_j = *totals.energy_wh() * 3600.0 - 4e9;
  CHECK(small_j == Approx(0.5e-7 + 199'997e-7).margin(1e-6));  // the double nearest 4e9 is good to 5e-7
}

TEST_CASE("energy never bridges a gap") {
  RunTotals totals;
  for (int i = 0; i < 100; ++i) totals.push(reading(i, 36.0));
  for (int i = 0; i < 100; ++i) totals.push(reading(1000 + i, 36.0));
  CHECK(*totals.energy_wh() == Approx(36.0 * 198 / 3600).epsilon(1e-13));
  CHECK(totals.gap_s() == Approx(901.0));
  CHECK(*totals.mean_w() == Approx(36.0));
}

TEST_CASE("a meter of one reading a minute has no gaps") {
  RunTotals totals;
  for (int i = 0; i < 60; ++i) totals.push(reading(60.0 * i, 60.0));
  CHECK(totals.gap_s() == 0.0);
  CHECK(*totals.energy_wh() == Approx(59.0));
}

TEST_CASE("what a record cannot give is nothing, not zero") {
  RunTotals totals;
  CHECK_FALSE(totals.energy_wh().has_value());
  CHECK_FALSE(totals.counter_wh().has_value());
  CHECK_FALSE(totals.peak_w().has_value());
  CHECK_FALSE(totals.mean_w().has_value());
  CHECK_FALSE(totals.first().has_value());
  totals.push(reading(0, 5.0));
  CHECK_FALSE(totals.energy_wh().has_value());
  CHECK(*totals.peak_w() == 5.0);
}

TEST_CASE("a peak below zero is the highest reading, not zero") {
  RunTotals totals;
  totals.push(reading(0, -20.0));
  totals.push(reading(1, -10.0));
  CHECK(*totals.peak_w() == -10.0);
  CHECK(*totals.energy_wh() == Approx(-15.0 / 3600.0));
}

TEST_CASE("the counter is exact to its last digit") {
  RunTotals totals;
  totals.push(reading(0, 100.0, "6825.1"));
  totals.push(reading(3600, 100.0, "6925.3"));
  CHECK(*totals.counter_wh() == Approx(100.2).epsilon(1e-14));
  CHECK(totals.counter_resets() == 0);
}

TEST_CASE("a counter that wraps goes on") {
  SECTION("at a power of ten") {
    RunTotals totals;
    totals.push(reading(0, 100.0, "99999.98"));
    totals.push(reading(3, 100.0, "0.06"));
    CHECK(*totals.counter_wh() == Approx(0.08).epsilon(1e-9));
    CHECK(totals.counter_resets() == 0);
  }
  SECTION("at 2^32 counts of 0.1 Wh") {
    RunTotals totals;
    totals.push(reading(0, 100.0, "429496729.4"));
    totals.push(reading(12, 100.0, "0.1"));
    CHECK(*totals.counter_wh() == Approx(0.3).epsilon(1e-9));
    CHECK(totals.counter_resets() == 0);
  }
  SECTION("at 2^16 counts of 10 Wh") {
    RunTotals totals;
    const auto push = [&](double time_s, std::int64_t counts) {
      Reading r = reading(time_s, 1000.0);
      r.values.set(Quantity::energy, Decimal{counts, 1});
      totals.push(r);
    };
    push(0, 65535);
    push(36, 0);
    CHECK(*totals.counter_wh() == Approx(10.0));
    CHECK(totals.counter_resets() == 0);
  }
}

TEST_CASE("a counter that is reset counts what is known and says so") {
  RunTotals totals;
  totals.push(reading(0, 100.0, "5000.0"));
  totals.push(reading(360, 100.0, "5010.0"));
  totals.push(reading(361, 100.0, "0.0"));
  totals.push(reading(721, 100.0, "10.0"));
  CHECK(*totals.counter_wh() == Approx(20.0));
  CHECK(totals.counter_resets() == 1);
}

TEST_CASE("a leap of the counter that no connection delivers is not consumption") {
  RunTotals totals;
  totals.push(reading(0, 100.0, "5000.0"));
  totals.push(reading(1, 100.0, "7000000.0"));
  totals.push(reading(2, 100.0, "5000.1"));
  CHECK(*totals.counter_wh() == Approx(0.0).margin(1e-9));
  CHECK(totals.counter_resets() == 2);
}

TEST_CASE("a counter that went on while nobody listened is believed") {
  RunTotals totals;
  totals.push(reading(0, 0.0, "5000"));
  totals.push(reading(8 * 3600, 0.0, "5800"));
  CHECK(*totals.counter_wh() == Approx(800.0));
  CHECK(totals.counter_resets() == 0);
}

TEST_CASE("one count back and forth is rounding, not a reset") {
  RunTotals totals;
  for (int i = 0; i < 11; ++i) totals.push(reading(i, 100.0, i % 2 == 0 ? "5000.2" : "5000.1"));
  CHECK(*totals.counter_wh() == Approx(0.0).margin(1e-9));
  CHECK(totals.counter_resets() == 0);
}

TEST_CASE("a counter without power readings still has gaps and energy") {
  RunTotals totals;
  for (int i = 0; i < 20; ++i) totals.push(reading(i, std::nullopt, "10"));
  totals.push(reading(100, std::nullopt, "12"));
  CHECK(totals.gap_s() == Approx(81.0));
  CHECK(*totals.counter_wh() == Approx(2.0));
  CHECK_FALSE(totals.energy_wh().has_value());
}

TEST_CASE("a counter that is read every ten minutes is compared with the power between its readings alone") {
  // 100 W, then 10 W, the other way round each quarter of an hour; the counter is in the readings at 300 s, 900 s, ...
  RunTotals totals;
  double counted_ws = 0.0, first_ws = 0.0, last_ws = 0.0;
  const auto power_at = [](int i) { return (i / 900) % 2 == 0 ? 100.0 : 10.0; };
  for (int i = 0; i <= 7000; ++i) {
    Reading r = reading(i, power_at(i));
    if (i > 0) counted_ws += 0.5 * (power_at(i - 1) + power_at(i));
    if (i % 600 == 300) {
      r.values.set(Quantity::energy, Decimal{std::llround(counted_ws / 3.6), -3});
      if (i == 300) first_ws = counted_ws;
      last_ws = counted_ws;
    }
    totals.push(r);
  }
  const auto beside = totals.beside_counter();
  REQUIRE(beside);
  CHECK(beside->seconds == 6600.0);
  CHECK(beside->energy_wh == Approx((last_ws - first_ws) / 3600.0));
  CHECK(beside->energy_wh == Approx(*totals.counter_wh()).margin(0.002));
  CHECK(*totals.energy_wh() - *totals.counter_wh() > 5.0);  // the whole run has ten minutes more
}

TEST_CASE("totals saved before the power beside the counter was kept are read, and leave it unknown") {
  // Version 1 ended with the counter's own state; what follows now: a byte and twice a time and a double, of which the
  // times of a counter that said nothing take a byte each.
  constexpr std::size_t part = 1 + 2 * (1 + 8);
  RunTotals totals;
  for (int i = 0; i < 30; ++i) totals.push(reading(i, 5.0));
  std::string bytes = totals.save();
  bytes.resize(bytes.size() - part);
  bytes[0] = 1;
  const auto old = RunTotals::restore(bytes);
  REQUIRE(old.has_value());
  CHECK(*old->energy_wh() == *totals.energy_wh());
  CHECK_FALSE(old->beside_counter());
}

TEST_CASE("totals saved and restored after every reading are the same bit for bit") {
  std::mt19937 random(5);
  RunTotals whole, pieces;
  double t = 0.0;
  std::int64_t counter = 999'000;
  for (int i = 0; i < 400; ++i) {
    t += random() % 50 == 0 ? 40.0 : 0.5 + 0.001 * static_cast<double>(random() % 1000);
    Reading r = reading(t, 0.01 * static_cast<double>(random() % 5000));
    counter = (counter + static_cast<std::int64_t>(random() % 20)) % 1'000'000;
    r.values.set(Quantity::energy, Decimal{counter, -3});
    whole.push(r);
    pieces.push(r);
    auto restored = RunTotals::restore(pieces.save());
    REQUIRE(restored.has_value());
    pieces = std::move(*restored);
  }
  CHECK(*pieces.energy_wh() == *whole.energy_wh());
  CHECK(*pieces.mean_w() == *whole.mean_w());
  CHECK(*pieces.counter_wh() == *whole.counter_wh());
  CHECK(pieces.gap_s() == whole.gap_s());
  CHECK(pieces.gap_s() > 0.0);
  CHECK(pieces.save() == whole.save());
}

TEST_CASE("damaged totals are refused") {
  RunTotals totals;
  for (int i = 0; i < 30; ++i) totals.push(reading(i, 5.0, "1"));
  const std::string bytes = totals.save();
  for (std::size_t length = 0; length < bytes.size(); ++length)
    CHECK_FALSE(RunTotals::restore(std::string_view(bytes).substr(0, length)).has_value());
  CHECK_FALSE(RunTotals::restore(bytes + "x").has_value());
}
