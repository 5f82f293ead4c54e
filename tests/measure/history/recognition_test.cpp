#include "measure/history/recognition.hpp"

#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <string>
#include <vector>

#include "tests/measure/drawn_devices.hpp"

using namespace nightwatt;
using namespace nightwatt::drawn;

namespace {

RunFeatures features(const night::Night& night, double step_w) {
  SegmenterSettings settings;
  settings.traits.resolution_w = step_w;
  Segmenter segmenter(settings);
  for (const auto& [time, power] : night.readings) segmenter.push(time, power);
  ClassifyInput input;
  input.settings = settings;
  input.run_begin = night.readings.front().first;
  input.run_end = night.readings.back().first;
  segmenter.finish(input.run_end);
  const std::vector<Regime> regimes = segmenter.take_final();
  input.final_count = regimes.size();
  input.learnt = segmenter.learnt();
  return features_of(classify(regimes, input).segments, regimes, step_w);
}

RunFeatures plain(double idle_w, double load_w) {
  RunFeatures run;
  run.value[static_cast<std::size_t>(Feature::idle)] = std::log(idle_w);
  run.value[static_cast<std::size_t>(Feature::load)] = std::log(load_w);
  return run;
}

struct Village {
  std::vector<Device> devices;
  std::vector<KnownDevice> known;
};

Village village(int devices, int nights, std::uint64_t seed) {
  Village all;
  Dice dice(seed);
  for (int i = 0; i < devices; ++i) {
    all.devices.push_back(draw_device(dice));
    KnownDevice known{"device " + std::to_string(i), {}};
    for (int n = 0; n < nights; ++n)
      known.runs.push_back(features(
          play_night(all.devices.back(), {}, seed * 1000 + static_cast<std::uint64_t>(i * 50 + n), 0.01), 0.01));
    all.known.push_back(std::move(known));
  }
  return all;
}

}  // namespace

TEST_CASE("devices that differ by 3 % from night to night are known again") {
  const Village all = village(8, 5, 900'001);
  const Recogniser recogniser(all.known);
  int right = 0, wrong = 0, nights = 0;
  for (std::size_t i = 0; i < all.devices.size(); ++i)
    for (std::uint64_t n = 0; n < 4; ++n, ++nights) {
      const Recognition found =
          recogniser.recognise(features(play_night(all.devices[i], {}, 910'001 + i * 50 + n, 0.01), 0.01));
      if (found.devices[0].posterior < propose_from) continue;
      (found.devices[0].device == i ? right : wrong) += 1;
    }
  CHECK(wrong == 0);
  CHECK(right >= nights * 9 / 10);
}

TEST_CASE("a device never seen before is none of these") {
  const Village all = village(8, 5, 920'001);
  const Recogniser recogniser(all.known);
  Dice dice(930'001);
  int named = 0;
  for (std::uint64_t n = 0; n < 30; ++n) {
    const Device stranger = draw_device(dice);
    const Recognition found = recogniser.recognise(features(play_night(stranger, {}, 940'001 + n, 0.01), 0.01));
    named += found.devices[0].posterior >= propose_from ? 1 : 0;
  }
  CHECK(named <= 1);
}

TEST_CASE("two boxes of one kind share the odds: neither is proposed") {
  std::vector<KnownDevice> twins = {{"one", {}}, {"other", {}}};
  for (int n = 0; n < 5; ++n)
    for (KnownDevice& twin : twins) twin.runs.push_back(plain(20.0 + 0.1 * n, 50.0 - 0.2 * n));
  const Recognition found = Recogniser(twins).recognise(plain(20.2, 49.7));
  CHECK(found.devices[0].posterior == Approx(0.5).margin(0.05));
  CHECK(found.none < 0.1);
}

// Truth and the share of strangers are the drawing's; right as often as said is what odds mean.
TEST_CASE("where boxes of a kind differ little the odds of a box are right as often as they say") {
  constexpr int kinds = 5, boxes = 5, named = 4, nights = 6;  // of each kind one box is a stranger
  constexpr std::array<Feature, 5> drawn = {Feature::idle, Feature::standby, Feature::load, Feature::boot_length,
                                            Feature::boot_energy};
  Dice dice(950'001);
  double said = 0.0, right = 0.0, told = 0.0;
  for (int village = 0; village < 30; ++village) {
    std::vector<KnownDevice> known;
    std::vector<std::pair<RunFeatures, std::size_t>> asked;
    for (int kind = 0; kind < kinds; ++kind) {
      RunFeatures middle;
      for (const Feature f : drawn) middle.value[static_cast<std::size_t>(f)] = dice.between(0.0, 4.0);
      const auto near = [&](const RunFeatures& centre, double times) {
        RunFeatures run = centre;
        for (const Feature f : drawn)
          *run.value[static_cast<std::size_t>(f)] += times * (f >= Feature::boot_length ? 0.1 : 0.03) * dice.normal();
        return run;
      };
      for (int b = 0; b < boxes; ++b) {
        const RunFeatures box = near(middle, 2.0);
        if (b < named) {
          known.push_back({std::to_string(known.size()), {}});
          for (int n = 0; n < nights; ++n) known.back().runs.push_back(near(box, 1.0));
        }
        asked.emplace_back(near(box, 1.0), b < named ? known.size() - 1 : known.max_size());
      }
    }
    const Recogniser recogniser(known);
    for (const auto& [run, truth] : asked) {
      const Recognised best = recogniser.recognise(run).devices.front();
      if (best.posterior < 0.7) continue;
      said += best.posterior;
      right += best.device == truth ? 1.0 : 0.0;
      told += 1.0;
    }
  }
  REQUIRE(told > 200.0);
  CAPTURE(right, said, told);
  CHECK(right / told > said / told - 0.05);  // two standard deviations
}

TEST_CASE("odds add up to one, and the likeliest comes first") {
  std::vector<KnownDevice> known = {{"small", {plain(5.0, 9.0)}}, {"large", {plain(60.0, 200.0)}}};
  const Recognition found = Recogniser(known).recognise(plain(61.0, 195.0));
  CHECK(found.devices[0].device == 1);
  CHECK(found.devices[0].posterior + found.devices[1].posterior + found.none == Approx(1.0));
  CHECK(found.devices[0].posterior > found.devices[1].posterior);
}

TEST_CASE("one level alone is anybody's, and nobody is known to nobody") {
  RunFeatures idle_only;
  idle_only.value[0] = std::log(20.0);
  const std::vector<KnownDevice> known = {{"one", {plain(20.0, 50.0), plain(20.1, 50.3)}}};
  CHECK(Recogniser(known).recognise(idle_only).none == 1.0);
  CHECK(Recogniser(known).recognise(RunFeatures{}).devices.empty());
  CHECK(Recogniser({}).recognise(plain(20.0, 50.0)).none == 1.0);
}

TEST_CASE("a meter that promises little widens what a device may look like on it") {
  std::vector<KnownDevice> known = {{"one", {}}};
  for (int n = 0; n < 6; ++n) known[0].runs.push_back(plain(20.0 + 0.05 * n, 50.0));
  RunFeatures off = plain(21.5, 53.0);
  const double sure = Recogniser(known).recognise(off).none;
  off.standard_deviation[static_cast<std::size_t>(Feature::idle)] = 0.1;
  off.standard_deviation[static_cast<std::size_t>(Feature::load)] = 0.1;
  CHECK(Recogniser(known).recognise(off).none < sure);
}
