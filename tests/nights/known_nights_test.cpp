// Nights that every practitioner has, with the figures that a careful person reads off them.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

#include "random.hpp"
#include "score.hpp"

using namespace nightwatt;
using namespace nightwatt::nights;

namespace {

Act act(Kind kind, double level_w, double length_s) {
  Act one;
  one.kind = kind;
  one.level_w = level_w;
  one.length_s = length_s;
  one.noise_w = 0.003 * level_w;
  return one;
}

Act off(double length_s) {
  return act(Kind::off, 0.0, length_s);
}
Act standby(double level_w, double length_s) {
  return act(Kind::standby, level_w, length_s);
}
Act idle(double level_w, double length_s) {
  return act(Kind::idle, level_w, length_s);
}
Act load(double level_w, double length_s) {
  return act(Kind::plateau, level_w, length_s);
}

/// Work of a few seconds each between two powers, as a computer starts up.
Act boot(double low_w, double high_w, double length_s, std::uint64_t seed) {
  Random random(seed);
  Act one = act(Kind::unsteady, 0.0, length_s);
  one.boot = true;
  for (double t = 0.0; t < length_s; t += random.uniform(1.0, 6.0))
    one.steps.emplace_back(t, random.uniform(low_w, high_w));
  return one;
}

Act charging(double own_w, double charge_w, double flat_s, double tau_s) {
  Act one = act(Kind::charging, own_w, flat_s + 3.0 * tau_s);  // ends at a twentieth of the current
  one.noise_w = 0.003 * (own_w + charge_w);
  one.charge_w = charge_w;
  one.charge_flat_s = flat_s;
  one.charge_tau_s = tau_s;
  return one;
}

Plan plan(std::vector<Act> acts, double step_w = 0.1, double interval_s = 1.0) {
  Plan one;
  one.acts = std::move(acts);
  one.meter.step_w = step_w;
  one.meter.interval_s = interval_s;
  one.noise_correlation_time_s = 1.0;
  return one;
}

Found found(const Plan& plan, std::uint64_t seed) {
  return find(play(plan, seed), settings_of(plan.meter));
}

/// The kinds one after the other; what lasts less than 20 s is left out, as are ways from one level to the next.
std::string kinds(const Found& night) {
  std::string text;
  for (const Segment& segment : night.segments) {
    const double length_s = to_seconds(segment.end - segment.begin).value;
    if (length_s < 20.0) continue;
    text += (text.empty() ? "" : " ") + std::string(segment_kind_name(segment.kind));
  }
  return text;
}

bool is_near(const std::optional<Figure>& figure, double value) {
  if (figure)
    UNSCOPED_INFO("figure " << figure->value << " +- " << figure->uncertainty << ", truth " << value);
  else
    UNSCOPED_INFO("no figure, truth " << value);
  return figure && std::abs(figure->value - value) <= std::max(0.01 * value, 0.03);
}

std::vector<double> levels(const Found& night) {
  std::vector<double> all;
  for (const Segment& segment : night.segments)
    if (segment.level_w) all.push_back(*segment.level_w);
  return all;
}

}  // namespace

TEST_CASE("an idle of 7.2 W and a load of 26 W that begins with a peak of 31 W are idle and load") {
  const auto seed = GENERATE(std::uint64_t{1}, 2, 3);
  CAPTURE(seed);
  Act work = load(26.0, 1200);
  work.peak_w = 5.0;
  work.peak_s = 3.0;
  const Found night = found(plan({idle(7.2, 1800), work, idle(7.2, 1800)}), seed);
  CHECK(kinds(night) == "idle plateau idle");
  CHECK(is_near(night.summary.idle, 7.2));
  CHECK(is_near(night.summary.load, 26.0));
  CHECK_FALSE(night.summary.standby);
}

TEST_CASE("the second half of a night says of idle and load what the whole says") {
  const auto seed = GENERATE(std::uint64_t{4}, 5, 6);
  CAPTURE(seed);
  const Plan whole = plan({off(120), standby(0.6, 300), boot(7.0, 20.0, 50, seed), idle(7.2, 1500), load(26.0, 1200),
                           idle(7.2, 1500), load(26.0, 900), idle(7.2, 600)});
  const double half_s = 0.5 * length_s(whole);
  const Found second = found(cropped(whole, half_s, 2.0 * half_s), seed);
  for (const Found& night : {found(whole, seed), second}) {
    CHECK(is_near(night.summary.idle, 7.2));
    CHECK(is_near(night.summary.load, 26.0));
  }
  CHECK(kinds(second) == "plateau idle plateau idle");
}

TEST_CASE("the same load six times with rests of minutes between is a segment each time") {
  const auto seed = GENERATE(std::uint64_t{7}, 8, 9);
  CAPTURE(seed);
  std::vector<Act> acts = {idle(7.2, 600)};
  std::string expected = "idle";
  for (int n = 0; n < 6; ++n) {
    acts.push_back(load(26.0, 240));
    acts.push_back(idle(7.2, 180));
    expected += " plateau idle";
  }
  const Found night = found(plan(acts), seed);
  CHECK(kinds(night) == expected);
  CHECK(is_near(night.summary.idle, 7.2));
  CHECK(is_near(night.summary.load, 26.0));
}

TEST_CASE("a display on a timer is standby and idle by turns") {
  const auto seed = GENERATE(std::uint64_t{10}, 11, 12);
  CAPTURE(seed);
  std::vector<Act> acts;
  for (int n = 0; n < 5; ++n) {
    acts.push_back(standby(0.3, 600));
    acts.push_back(idle(22.4, 900));
  }
  const Found night = found(plan(acts), seed);
  CHECK(kinds(night) == "standby idle standby idle standby idle standby idle standby idle");
  CHECK(is_near(night.summary.standby, 0.3));
  CHECK(is_near(night.summary.idle, 22.4));
}

TEST_CASE("a stair of loads between two idles leaves idle where it is") {
  const bool down = GENERATE(true, false);
  const auto seed = GENERATE(std::uint64_t{13}, 14, 15);
  CAPTURE(seed, down);
  std::vector<double> steps = {70.0, 88.0, 110.0};
  if (down) std::reverse(steps.begin(), steps.end());
  const Found night = found(
      plan({idle(26.0, 900), load(steps[0], 300), load(steps[1], 300), load(steps[2], 300), idle(26.0, 900)}), seed);
  CHECK(kinds(night) == "idle plateau plateau plateau idle");
  CHECK(is_near(night.summary.idle, 26.0));
  CHECK(is_near(night.summary.load, 110.0));
  CHECK_FALSE(night.summary.standby);
}

TEST_CASE("a reading each 5 or 10 s gives levels where they are held for 12 readings and more") {
  const double interval_s = GENERATE(5.0, 10.0);
  const auto seed = GENERATE(std::uint64_t{16}, 17, 18);
  CAPTURE(seed, interval_s);
  const Found night = found(plan({idle(8.2, 900), load(24.0, 135), idle(8.2, 300), load(40.0, 600), load(31.0, 250),
                                  idle(8.2, 400), load(18.0, 180), idle(8.2, 700)},
                                 0.1, interval_s),
                            seed);
  CHECK(kinds(night) == "idle plateau idle plateau plateau idle plateau idle");
  CHECK(is_near(night.summary.idle, 8.2));
  CHECK(is_near(night.summary.load, 40.0));
}

TEST_CASE("a laptop whose battery fills for 90 min has the idle and the load it has afterwards") {
  const auto seed = GENERATE(std::uint64_t{19}, 20, 21);
  CAPTURE(seed);
  const Found night =
      found(plan({charging(4.2, 27.0, 3600, 600), idle(4.2, 1800), load(31.5, 900), idle(4.2, 900)}), seed);
  CHECK(kinds(night) == "charging idle plateau idle");
  CHECK(is_near(night.summary.idle, 4.2));
  CHECK(is_near(night.summary.load, 31.5));
  CHECK_FALSE(night.summary.standby);
}

TEST_CASE("a laptop that charges while switched off is charging, then standby, then idle") {
  const auto seed = GENERATE(std::uint64_t{22}, 23, 24);
  CAPTURE(seed);
  const Found night = found(plan({charging(0.4, 31.0, 2700, 700), standby(0.4, 1200), boot(4.0, 15.0, 45, seed),
                                  idle(4.2, 1800), load(24.0, 600), idle(4.2, 900)}),
                            seed);
  CHECK(kinds(night) == "charging standby unsteady idle plateau idle");
  CHECK(is_near(night.summary.standby, 0.4));
  CHECK(is_near(night.summary.idle, 4.2));
  CHECK(is_near(night.summary.load, 24.0));
}

TEST_CASE("a battery whose power wanders and whose curve is long is no load before its own device's idle") {
  const auto seed = GENERATE(std::uint64_t{64}, 65, 66);
  CAPTURE(seed);
  Act long_curve = charging(7.85, 34.7, 3400, 1080), restless = charging(4.3, 43.0, 3300, 700);
  long_curve.length_s = 3400 + 4.4 * 1080;
  restless.noise_w = 0.95;
  const Plan quiet_night = plan({long_curve, idle(7.85, 1060), load(31.8, 420), idle(7.85, 750)});
  Plan restless_night = plan({restless, idle(4.3, 1800), load(31.8, 420), idle(4.3, 900)}, 0.01);
  restless_night.noise_correlation_time_s = 8.0;
  for (const Plan& one : {quiet_night, restless_night}) {
    const Found night = found(one, seed);
    CHECK(is_near(night.summary.load, 31.8));
    CHECK_FALSE(night.summary.sustained);
  }
}

TEST_CASE("awake for 150 s each half hour is idle at eleven times what it sleeps at") {
  const auto seed = GENERATE(std::uint64_t{67}, 68, 69);
  CAPTURE(seed);
  std::vector<Act> acts = {idle(35.2, 300)};
  for (int n = 0; n < 6; ++n) {
    acts.push_back(standby(3.2, 1650));
    acts.push_back(idle(35.2, 150));
  }
  const Found night = found(plan(acts), seed);
  CHECK(is_near(night.summary.idle, 35.2));
  CHECK(is_near(night.summary.standby, 3.2));
}

TEST_CASE("asleep at 2.9 W and softly off at 1.1 W are two states and not their mean") {
  const auto seed = GENERATE(std::uint64_t{25}, 26, 27);
  CAPTURE(seed);
  const Found night = found(plan({idle(41.0, 900), load(95.0, 600), idle(41.0, 900), standby(2.9, 3600),
                                  idle(41.0, 600), standby(1.1, 1800)}),
                            seed);
  CHECK(kinds(night) == "idle plateau idle standby idle standby");
  CHECK(is_near(night.summary.standby, 2.9));
  CHECK(is_near(night.summary.idle, 41.0));
  std::vector<double> standbys;
  for (const LevelState& state : night.summary.states)
    if (state.kind == SegmentKind::standby) standbys.push_back(state.level.value);
  REQUIRE(standbys.size() == 2);
  CHECK(standbys[0] == Approx(1.1).margin(0.05));
  CHECK(standbys[1] == Approx(2.9).margin(0.05));
}

TEST_CASE("awake for 3 min each quarter of an hour is idle, asleep between is standby") {
  const auto seed = GENERATE(std::uint64_t{28}, 29, 30);
  CAPTURE(seed);
  std::vector<Act> acts;
  for (int n = 0; n < 8; ++n) {
    acts.push_back(standby(2.9, 720));
    acts.push_back(idle(41.0, 180));
  }
  acts.push_back(standby(2.9, 720));
  const Found night = found(plan(acts), seed);
  CHECK(is_near(night.summary.idle, 41.0));
  CHECK(is_near(night.summary.standby, 2.9));
}

TEST_CASE("two levels of a small board are two on a display of whole watts") {
  const auto seed = GENERATE(std::uint64_t{31}, 32, 33);
  CAPTURE(seed);
  std::vector<Act> acts = {idle(0.62, 3600), load(1.55, 1800), idle(0.62, 3600)};
  for (Act& one : acts) one.noise_w = 0.12;
  const std::vector<double> seen = levels(found(plan(acts, 1.0), seed));
  REQUIRE(seen.size() == 3);
  CHECK(std::abs(seen[0] - 0.62) <= 0.25);
  CHECK(std::abs(seen[1] - 1.55) <= 0.25);
  CHECK(std::abs(seen[2] - 0.62) <= 0.25);
}

TEST_CASE("a display that toggles between two counts by runs of seconds shows one level") {
  const auto seed = GENERATE(std::uint64_t{70}, 71, 72);
  CAPTURE(seed);
  std::vector<Act> acts = {idle(0.62, 2100), load(1.5, 2300), idle(0.62, 1800)};
  for (Act& one : acts) one.noise_w = 0.12;
  Plan slowly = plan(acts, 1.0, 0.5);
  slowly.noise_correlation_time_s = 2.0;
  const Found night = found(slowly, seed);
  CHECK(kinds(night) == "idle plateau idle");
  CHECK_FALSE(night.summary.standby);
  REQUIRE(night.summary.idle);
  CHECK(std::abs(night.summary.idle->value - 0.62) <= night.summary.idle->uncertainty);
}

TEST_CASE("an idle that a display shows as either of two counts is one idle, and asleep below it is standby") {
  const auto seed = GENERATE(std::uint64_t{73}, 74, 75);
  CAPTURE(seed);
  std::vector<Act> acts = {off(120), standby(1.2, 600), boot(7.0, 20.0, 9, seed)};
  for (const double idle_w : {6.62, 6.38, 6.55, 6.42, 6.58}) {
    acts.push_back(idle(idle_w, 400));
    acts.push_back(load(13.4, 300));
    acts.push_back(idle(idle_w, 300));
    acts.push_back(standby(1.2, 900));
  }
  for (Act& one : acts) one.noise_w = std::min(one.noise_w, 0.06);
  const Found night = found(plan(acts, 1.0), seed);
  REQUIRE(night.summary.idle);
  CHECK(std::abs(night.summary.idle->value - 6.5) <= 0.6);
  REQUIRE(night.summary.standby);
  CHECK(night.summary.standby->value == Approx(1.0));
}

TEST_CASE("a burst in the first half minute of a load makes no start-up of it") {
  const auto seed = GENERATE(std::uint64_t{76}, 77, 78);
  CAPTURE(seed);
  Act work = load(21.8, 252);
  work.steps = {{17.0, 16.5}, {30.0, 0.0}, {85.0, 25.0}, {90.0, 0.0}, {206.0, 26.0}, {213.0, 0.0}};
  const Found night = found(plan({idle(6.5, 178), work, idle(6.5, 168)}, 0.5), seed);
  CHECK(kinds(night) == "idle plateau idle");
  CHECK(is_near(night.summary.load, 21.8));
  CHECK_FALSE(night.summary.standby);
}

TEST_CASE("a start-up whose steps lie near each other by chance is none the less one: a long sleep is no idle") {
  const auto seed = GENERATE(std::uint64_t{79}, 80, 81);
  CAPTURE(seed);
  Act start = act(Kind::unsteady, 0.0, 60.0);
  start.noise_w = 0.02;
  start.steps = {{0.0, 8.0},  {3.0, 7.35}, {9.0, 7.13},  {15.0, 7.0}, {21.0, 4.6}, {25.0, 4.8},
                 {30.0, 5.3}, {40.0, 7.4}, {45.0, 7.75}, {51.0, 7.6}, {56.0, 7.0}};
  const Found night = found(
      plan({off(150), standby(0.9, 105), start, idle(3.8, 170), load(6.1, 480), idle(3.8, 70), standby(0.9, 15000)}),
      seed);
  CHECK(is_near(night.summary.idle, 3.8));
  CHECK(is_near(night.summary.standby, 0.9));
  CHECK_FALSE(night.summary.sustained);
}

TEST_CASE("two idles 0.02 W apart make a figure about as sure as each of them") {
  const auto seed = GENERATE(std::uint64_t{34}, 35, 36);
  CAPTURE(seed);
  const Found night = found(plan({idle(9.253, 1800), load(24.0, 600), idle(9.275, 900)}, 0.01), seed);
  REQUIRE(night.summary.idle);
  CHECK(night.summary.idle->value == Approx(9.26).margin(0.03));
  CHECK(night.summary.idle->uncertainty <= 0.08);
}

TEST_CASE("idle with maintenance bursts is quoted without them, and the baseline with them") {
  const auto seed = GENERATE(std::uint64_t{37}, 38, 39);
  CAPTURE(seed);
  Random random(seed);
  Act quiet = idle(7.3, 5400);
  for (double t = 30.0; t < quiet.length_s; t += random.uniform(80.0, 120.0)) {
    quiet.steps.emplace_back(t, 11.9);  // 8 s each 100 s are 0.95 W on average
    quiet.steps.emplace_back(t + 8.0, 0.0);
  }
  const Plan acts = plan({quiet, load(24.0, 600), idle(7.3, 300)});
  const Found night = found(acts, seed);
  CHECK(is_near(night.summary.idle, 7.3));
  const TrueFigure baseline = truth_of(acts).figures[static_cast<std::size_t>(FigureName::baseline)];
  REQUIRE(baseline.value_w);
  CHECK(*baseline.value_w == Approx(8.25).margin(0.15));
  CHECK(is_near(night.summary.baseline, *baseline.value_w));
}

TEST_CASE("work in steps of seconds is no load, however long it lasts") {
  const auto seed = GENERATE(std::uint64_t{46}, 47, 48);
  CAPTURE(seed);
  const Found night = found(plan({idle(24.0, 600), boot(30.0, 100.0, 900, seed), idle(24.0, 600)}), seed);
  CHECK(is_near(night.summary.idle, 24.0));
  CHECK_FALSE(night.summary.load);
}

TEST_CASE("turns of two levels faster than a minute are one plateau with the mean of their cycles") {
  const auto seed = GENERATE(std::uint64_t{58}, 59, 60);
  CAPTURE(seed);
  Random random(seed);
  Act turns = load(110.0, 1500);
  for (double t = 0.0; t < turns.length_s; t += 34.0) {
    turns.steps.emplace_back(t, 0.0);
    turns.steps.emplace_back(t + random.uniform(16.0, 18.0), -50.0);
  }
  const Found night = found(plan({idle(45.0, 600), turns, idle(45.0, 600)}), seed);
  CHECK(kinds(night) == "idle plateau idle");
  REQUIRE(night.summary.load);
  CHECK(night.summary.load->value == Approx(85.0).margin(1.5));
}

TEST_CASE("a board that works ever more was awake before it did") {
  const auto seed = GENERATE(std::uint64_t{61}, 62, 63);
  CAPTURE(seed);
  Act ramp = act(Kind::ramp, 0.257, 77);
  ramp.end_level_w = 1.534;
  ramp.ramp_s = ramp.length_s;
  const Found night =
      found(plan({idle(0.257, 800), ramp, load(1.534, 320), load(0.599, 620), idle(0.256, 130), off(320)}, 0.01), seed);
  CHECK(is_near(night.summary.idle, 0.257));
  CHECK_FALSE(night.summary.standby);
}

TEST_CASE("an idle with dips just beside its loads is idle") {
  const auto seed = GENERATE(std::uint64_t{49}, 50, 51);
  CAPTURE(seed);
  Act dipped = idle(42.7, 900);
  dipped.steps = {{0.0, -21.0}, {14.0, 0.0}, {400.0, -21.0}, {410.0, 0.0}};
  const Found night = found(plan({idle(42.7, 900), load(98.0, 500), dipped, load(60.0, 600), idle(42.7, 600)}), seed);
  CHECK(is_near(night.summary.idle, 42.7));
  CHECK(is_near(night.summary.load, 98.0));
  CHECK(is_near(night.summary.sustained, 60.0));
}

TEST_CASE("a battery that fills with a power that wanders slowly is charging to its end") {
  const auto seed = GENERATE(std::uint64_t{52}, 53, 54);
  CAPTURE(seed);
  Plan acts = plan({charging(4.7, 27.9, 1870, 1000), idle(4.7, 1300), load(7.3, 900), idle(4.7, 600)}, 0.1, 0.5);
  acts.acts.front().noise_w = 0.2;
  acts.noise_correlation_time_s = 31.0;
  const Found night = found(acts, seed);
  CHECK(kinds(night) == "charging idle plateau idle");
  CHECK(is_near(night.summary.sustained, 7.3));
}

TEST_CASE("a reading each minute counts nothing of a load beyond its edge as idle") {
  const auto seed = GENERATE(std::uint64_t{55}, 56, 57);
  CAPTURE(seed);
  const Found night = found(plan({load(113.0, 1500), idle(34.1, 2520), load(166.0, 1500)}, 0.1, 60.0), seed);
  CHECK(is_near(night.summary.baseline, 34.1));
}

TEST_CASE("a load that is throttled after ten minutes is quoted as it was before and as it is sustained") {
  const auto seed = GENERATE(std::uint64_t{40}, 41, 42);
  CAPTURE(seed);
  const Found night = found(plan({idle(11.2, 900), load(44.85, 600), load(37.97, 2400), idle(11.2, 900)}), seed);
  CHECK(kinds(night) == "idle plateau plateau idle");
  CHECK(is_near(night.summary.load, 44.85));
  CHECK(is_near(night.summary.sustained, 37.97));
  CHECK(is_near(night.summary.idle, 11.2));
}

TEST_CASE("levels of 150 to 200 s on whole watts are the same in the live view and in the ended run") {
  const auto seed = GENERATE(std::uint64_t{43}, 44, 45);
  CAPTURE(seed);
  const Plan short_holds =
      plan({idle(11.3, 180), load(46.5, 160), idle(11.3, 200), load(46.5, 150), idle(11.3, 170)}, 1.0);
  const auto readings = play(short_holds, seed);
  const Found ended = find(readings, settings_of(short_holds.meter));
  CHECK(kinds(ended) == "idle plateau idle plateau idle");
  Segmenter segmenter(settings_of(short_holds.meter));
  for (const auto& [us, power_w] : readings) segmenter.push(UtcTime{us}, power_w);
  std::vector<Regime> regimes = segmenter.take_final();
  ClassifyInput input;
  input.learnt = segmenter.learnt();
  input.final_count = regimes.size();
  input.open = true;
  input.run_begin = UtcTime{readings.front().first};
  input.run_end = UtcTime{readings.back().first};
  for (Regime& regime : segmenter.provisional()) regimes.push_back(std::move(regime));
  Found live;
  live.segments = classify(regimes, input).segments;
  CHECK(kinds(live) == kinds(ended));
  CHECK(levels(live) == levels(ended));
}

TEST_CASE("what a slow meter on whole watts shows after off is idle, though its start-up fell between two readings") {
  const auto seed = GENERATE(std::uint64_t{58}, 59, 60);
  CAPTURE(seed);
  const Found night = found(plan({off(1330), boot(8.0, 14.0, 15, seed), idle(8.55, 1080), load(13.5, 1300),
                                  idle(8.55, 630), standby(1.55, 830)},
                                 1.0, 30.0),
                            seed);
  CHECK(night.summary.load);
  REQUIRE(night.summary.idle);
  CHECK(night.summary.idle->value == Approx(8.55).margin(night.summary.idle->uncertainty));
}

TEST_CASE("a start-up of three readings is no part of the idle that a slow meter sees behind it") {
  const auto seed = GENERATE(std::uint64_t{64}, 65, 66);
  CAPTURE(seed);
  const Found night = found(plan({standby(0.37, 890), boot(14.0, 32.0, 70, seed), idle(12.1, 1070), load(57.0, 700),
                                  load(38.0, 880), idle(12.1, 300)},
                                 0.01, 20.0),
                            seed);
  CHECK(is_near(night.summary.baseline, 12.1));
}
