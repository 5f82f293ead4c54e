// Plain nights: off, adapter alone, start-up, idle, load, idle, off, on three displays.
#include <catch2/catch.hpp>

#include "measure/uncertainty/regime_codec.hpp"
#include "night.hpp"

using namespace nightwatt;
using night::Act;
using night::Meter;

namespace {

std::vector<Act> plain_night() {
  const double none = -1.0;
  return {
      {SegmentKind::off, 300, 0.0, none, 0, 60, 0.0, 0.0, 0},
      {SegmentKind::standby, 400, 2.1, none, 0, 60, 0.02, 0.3, 0},
      {SegmentKind::unsteady, 60, 8.0, none, 0, 60, 0.5, 0.3, 25.0},
      {SegmentKind::idle, 1800, 8.2, none, 0, 60, 0.05, 0.3, 0},
      {SegmentKind::plateau, 1200, 26.4, none, 0, 60, 0.2, 0.5, 0},
      {SegmentKind::idle, 900, 8.25, none, 0, 60, 0.05, 0.3, 0},
      {SegmentKind::off, 300, 0.0, none, 0, 60, 0.0, 0.0, 0},
  };
}

}  // namespace

TEST_CASE("a plain night is off, standby, start-up, idle, load, idle, off on every display") {
  const double step = GENERATE(1.0, 0.1, 0.01);
  const std::uint64_t seed = 7;
  CAPTURE(step, seed);
  const night::Night n = night::play(plain_night(), {1.0, 0.0, step}, seed);
  SegmenterSettings settings;
  settings.traits.resolution_w = step;
  const Classified result = night::segment(n, settings);
  const std::vector<SegmentKind> expected = {SegmentKind::off,  SegmentKind::standby, SegmentKind::unsteady,
                                             SegmentKind::idle, SegmentKind::plateau, SegmentKind::idle,
                                             SegmentKind::off};
  REQUIRE(result.segments.size() == expected.size());
  for (std::size_t i = 0; i < expected.size(); ++i) {
    CAPTURE(i);
    CHECK(segment_kind_name(result.segments[i].kind) == segment_kind_name(expected[i]));
    CHECK(std::abs(static_cast<double>(result.segments[i].begin.us) * 1e-6 - n.truth[i].first) <= 3.0);
  }
  CHECK(*result.segments[3].level_w == Approx(8.2).margin(std::max(0.082, 0.35 * step)));
  CHECK(*result.segments[4].level_w == Approx(26.4).epsilon(0.01));
}

TEST_CASE("stretches are the same to the bit after save and restore at any reading") {
  const night::Night n = night::play(plain_night(), {1.0, 0.3, 0.1}, 11);
  const SegmenterSettings settings;
  Segmenter whole(settings);
  Segmenter broken(settings);
  std::vector<Regime> from_whole, from_broken;
  std::size_t count = 0, largest = 0;
  for (const auto& [time, power] : n.readings) {
    whole.push(time, power);
    broken.push(time, power);
    if (++count % 97 != 0) continue;
    const std::string state = broken.save();
    largest = std::max(largest, state.size());
    Result<Segmenter> again = Segmenter::restore(settings, state);
    REQUIRE(again);
    broken = std::move(*again);
    for (Regime& s : broken.take_final()) from_broken.push_back(s);
  }
  whole.finish(n.readings.back().first);
  broken.finish(n.readings.back().first);
  for (Regime& s : whole.take_final()) from_whole.push_back(s);
  for (Regime& s : broken.take_final()) from_broken.push_back(s);
  CHECK(largest < 1'000'000);
  REQUIRE(from_whole.size() == from_broken.size());
  for (std::size_t i = 0; i < from_whole.size(); ++i) {
    CHECK(encode_regime(from_whole[i]) == encode_regime(from_broken[i]));
    const Result<Regime> decoded = decode_regime(encode_regime(from_whole[i]));
    REQUIRE(decoded);
    CHECK(*decoded == from_whole[i]);
  }
}

TEST_CASE("a settling curve gives its limit and how long it took, and one that has not ended says so") {
  const double none = -1.0;
  const std::uint64_t seed = 13;
  CAPTURE(seed);
  const std::vector<Act> acts = {{SegmentKind::idle, 600, 8.0, none, 0, 60, 0.02, 0.3, 0},
                                 {SegmentKind::plateau, 1200, 40.0, none, 4.0, 60, 0.1, 0.3, 0}};
  const Classified ended = night::segment(night::play(acts, {1.0, 0.0, 0.01}, seed), {});
  REQUIRE(ended.segments.size() == 2);
  REQUIRE(ended.segments[1].settled_w);
  CHECK(*ended.segments[1].settled_w == Approx(40.0).epsilon(0.005));
  // 4 W exp(-t/60 s) is 1 % of 40 W after 60 s ln 10.
  CHECK(*ended.segments[1].settling_s == Approx(60.0 * std::log(10.0)).epsilon(0.15));
  std::vector<Act> slow = acts;
  slow[1].settle_tau_s = 1500;
  slow[1].settle_w = 8.0;
  const Classified unfinished = night::segment(night::play(slow, {1.0, 0.0, 0.01}, seed), {});
  REQUIRE(unfinished.segments.size() == 2);
  CHECK(unfinished.segments[1].settling_unfinished);
  CHECK_FALSE(unfinished.segments[1].settled_w);
  CHECK_FALSE(ended.segments[0].settled_w);
}

TEST_CASE("a device that cycles faster than by the minute is one segment with its duty, slower phases are levels") {
  const std::uint64_t seed = 17;
  CAPTURE(seed);
  const auto cycling = [](double on_s, double off_s) {
    std::vector<Act> acts;
    for (int k = 0; k < 12; ++k) {
      acts.push_back({SegmentKind::plateau, on_s, 60.0, -1.0, 0, 60, 0.2, 0.3, 0});
      acts.push_back({SegmentKind::idle, off_s, 20.0, -1.0, 0, 60, 0.02, 0.3, 0});
    }
    return night::segment(night::play(acts, {1.0, 0.0, 0.1}, seed), {});
  };
  const Classified fast = cycling(30, 50);
  REQUIRE(fast.segments.size() == 1);
  REQUIRE(fast.segments[0].duty);
  CHECK(*fast.segments[0].duty == Approx(3.0 / 8.0).margin(0.02));
  CHECK(*fast.segments[0].mean_w == Approx((60.0 * 3.0 + 20.0 * 5.0) / 8.0).epsilon(0.01));
  // The contract: both held for a minute, and each is a segment of its own, however regular.
  CHECK(cycling(60, 90).segments.size() == 24);
  CHECK(cycling(300, 600).segments.size() == 24);
}

TEST_CASE("a battery that charges ever more slowly is one segment, and four loads one after the other are not") {
  const std::uint64_t seed = 19;
  CAPTURE(seed);
  const double none = -1.0;
  const std::vector<Act> charging = {{SegmentKind::idle, 600, 2.0, none, 0, 60, 0.1, 0.3, 0},
                                     {SegmentKind::plateau, 5000, 16.0, none, 44.0, 900, 0.5, 0.3, 0}};
  const Classified decay = night::segment(night::play(charging, {2.0, 0.2, 1.0}, seed), {});
  REQUIRE(decay.segments.size() == 3);
  CHECK(decay.segments[1].kind == SegmentKind::charging);
  CHECK_FALSE(decay.segments[1].level_w);
  CHECK(*decay.segments[2].level_w == Approx(16.0).margin(0.5));
  std::vector<Act> loads = {charging[0]};
  for (const double level : {60.0, 40.0, 29.0, 23.0, 19.0})
    loads.push_back({SegmentKind::plateau, 400, level, none, 0, 60, 0.3, 0.3, 0});
  CHECK(night::segment(night::play(loads, {2.0, 0.2, 1.0}, seed), {}).segments.size() == 6);
}

TEST_CASE("a pause of half a minute in irregular work is no level of its own") {
  const std::uint64_t seed = 23;
  CAPTURE(seed);
  const double none = -1.0;
  const std::vector<Act> acts = {{SegmentKind::standby, 300, 2.0, none, 0, 60, 0.05, 0.3, 0},
                                 {SegmentKind::unsteady, 60, 8.0, none, 0, 60, 0.5, 0.3, 25.0},
                                 {SegmentKind::unsteady, 25, 17.0, none, 0, 60, 1.5, 0.9, 0},
                                 {SegmentKind::unsteady, 60, 8.0, none, 0, 60, 0.5, 0.3, 25.0},
                                 {SegmentKind::idle, 900, 8.2, none, 0, 60, 0.05, 0.3, 0}};
  const Classified result = night::segment(night::play(acts, {1.0, 0.0, 0.1}, seed), {});
  REQUIRE(result.segments.size() == 3);
  CHECK(result.segments[1].kind == SegmentKind::unsteady);
}

TEST_CASE("a level at the very limit of off is off all night or on all night") {
  // A display of whole watts that shows 1 in a quarter of the readings, give or take: 0.25 W is the limit.
  for (const bool on : {true, false}) {
    night::Night n;
    std::uint64_t state = 1;
    const auto show = [&](int from, int to, double share) {
      for (int i = from; i < to; ++i) {
        state = state * 6364136223846793005ULL + 1442695040888963407ULL;
        n.readings.emplace_back(UtcTime{i * 1'000'000LL},
                                static_cast<double>(state >> 40) * 0x1.0p-24 < share ? 1.0 : 0.0);
      }
    };
    show(0, 3000, 0.21);
    show(3100, on ? 12000 : 6000, on ? 0.30 : 0.27);
    if (!on) show(6100, 12000, 0.19);
    SegmenterSettings settings;
    settings.traits.resolution_w = 1.0;
    const Classified result = night::segment(n, settings);
    CAPTURE(on);
    REQUIRE(result.segments.size() >= 3);
    for (const Segment& g : result.segments)
      if (g.level_w) CHECK((g.kind == SegmentKind::off) == !on);
  }
}

TEST_CASE("a computer that wakes with a jump and a brief high level was on standby before") {
  const std::uint64_t seed = 29;
  CAPTURE(seed);
  const double none = -1.0;
  const std::vector<Act> acts = {{SegmentKind::standby, 900, 1.5, none, 0, 60, 0.03, 0.3, 0},
                                 {SegmentKind::plateau, 30, 45.0, none, 0, 60, 0.3, 0.3, 0},
                                 {SegmentKind::idle, 900, 14.5, none, 0, 60, 0.1, 0.3, 0},
                                 {SegmentKind::plateau, 600, 46.0, none, 0, 60, 0.3, 0.3, 0},
                                 {SegmentKind::standby, 900, 1.5, none, 0, 60, 0.03, 0.3, 0}};
  const Classified result = night::segment(night::play(acts, {1.0, 0.0, 0.1}, seed), {});
  REQUIRE(result.segments.size() == acts.size());
  for (std::size_t i = 0; i < acts.size(); ++i)
    CHECK(segment_kind_name(result.segments[i].kind) == segment_kind_name(acts[i].kind));
}

TEST_CASE("the edge of a jump in a fast stream lies in the second's readings, not in the second") {
  const std::uint64_t seed = 37;
  CAPTURE(seed);
  const double none = -1.0;
  for (const double late_s : {0.03, 0.21, 0.48, 0.77, 0.95}) {
    const std::vector<Act> acts = {{SegmentKind::idle, 120.0 + late_s, 8.0, none, 0, 60, 0.05, 0.3, 0},
                                   {SegmentKind::plateau, 120, 24.0, none, 2.0, 30, 0.2, 0.3, 0}};
    const Classified result = night::segment(night::play(acts, {0.05, 0.0, 0.01}, seed), {});
    CAPTURE(late_s);
    REQUIRE(result.segments.size() == 2);
    const double edge_s = static_cast<double>(result.segments[1].begin.us) * 1e-6;
    CHECK(edge_s == Approx(120.0 + late_s).margin(0.05));
    CHECK(result.segments[1].begin_uncertainty_s < 0.1);
  }
}

TEST_CASE("a meter asked twice a second is taken reading by reading, whatever its clock's jitter") {
  const std::uint64_t seed = 41;
  CAPTURE(seed);
  const double none = -1.0;
  const std::vector<Act> acts = {{SegmentKind::idle, 300, 8.0, none, 0, 60, 0.05, 0.3, 0},
                                 {SegmentKind::plateau, 300, 24.0, none, 0, 60, 0.1, 0.3, 0}};
  for (const double interval_s : {0.497, 0.5, 0.503}) {
    const Classified result = night::segment(night::play(acts, {interval_s, 0.004, 0.1}, seed), {});
    REQUIRE(result.segments.size() == 2);
    // The jump lies between two readings: a rectangle of that width (GUM 4.3.7), k = 2.
    CHECK(result.segments[1].begin_uncertainty_s == Approx(2.0 * interval_s / std::sqrt(12.0)).epsilon(0.05));
  }
}

TEST_CASE("a reading that a meter loses at a jump was lost to the jump") {
  night::Night n;
  for (int i = 0; i < 300; ++i)
    if (i < 150 || i > 153) n.readings.emplace_back(UtcTime{i * 1'000'000LL}, i < 150 ? 8.0 : 24.0);
  SegmenterSettings settings;
  settings.traits.resolution_w = 0.1;
  const Classified result = night::segment(n, settings);
  REQUIRE(result.segments.size() == 2);
  CHECK(result.segments[1].begin.us == 149'500'000);
  CHECK(result.segments[1].begin_uncertainty_s == Approx(2.0 * 5.0 / std::sqrt(12.0)));
}

TEST_CASE("a ramp of minutes is one ramp from end to end, on a fine display and on a coarse one") {
  const double none = -1.0;
  for (const double length_s : {200.0, 400.0})
    for (const double step_w : {0.01, 1.0}) {
      const std::uint64_t seed = 8;
      CAPTURE(length_s, step_w, seed);
      const std::vector<Act> acts = {{SegmentKind::idle, 2000, 12.0, none, 0, 60, 0.2, 0.3, 0},
                                     {SegmentKind::ramp, length_s, 12.0, 40.0, 0, 60, 0.2, 0.3, 0},
                                     {SegmentKind::plateau, 2200, 40.0, none, 0, 60, 0.2, 0.3, 0}};
      const Classified result = night::segment(night::play(acts, {1.0, 0.0, step_w}, seed), {});
      REQUIRE(result.segments.size() == 3);
      CHECK(result.segments[1].kind == SegmentKind::ramp);
      CHECK(static_cast<double>(result.segments[1].begin.us) * 1e-6 == Approx(2000.0).margin(3.0));
      CHECK(static_cast<double>(result.segments[1].end.us) * 1e-6 == Approx(2000.0 + length_s).margin(3.0));
      CHECK(*result.segments[1].drift_w_per_h == Approx(28.0 / length_s * 3600.0).epsilon(0.01));
    }
}
