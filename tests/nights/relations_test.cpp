// What must agree between two tellings of one night, whatever the truth is; and how often figures of random nights are
// wrong. More of both: tools/dev bench nights.
#include <algorithm>
#include <catch2/catch.hpp>
#include <numeric>

#include "measure/uncertainty/regime_codec.hpp"
#include "random.hpp"
#include "relations.hpp"

using namespace nightwatt;
using namespace nightwatt::nights;

namespace {

/// Sorts whose levels are held long enough to be thinned and cut, and whose nights are short.
const std::vector<std::string>& short_sorts() {
  static const std::vector<std::string> sorts = {"plain",       "turbo-no-off", "repeats",    "stair-down",
                                                 "stair-up",    "throttling",   "settling",   "any-order",
                                                 "close-idles", "server",       "truncating", "gaps"};
  return sorts;
}

std::string joined(const std::vector<std::string>& lines) {
  return std::accumulate(lines.begin(), lines.end(), std::string(),
                         [](const std::string& all, const std::string& line) { return all + "\n  " + line; });
}

constexpr std::uint64_t first_seed = 9001;
constexpr std::uint64_t last_seed = 9004;
constexpr std::size_t most_readings = 5000;  // longer nights are the bench's: the suite is to be fast

/// At most one figure in fifty: intervals that hold 95 times in 100 cannot promise more.
void holds(const std::string& name) {
  const auto relation =
      std::find_if(relations().begin(), relations().end(), [&](const Relation& r) { return r.name == name; });
  REQUIRE(relation != relations().end());
  Compared all;
  for (const std::string& sort : short_sorts())
    for (std::uint64_t seed = first_seed; seed <= last_seed; ++seed) {
      const Night night = make_night(sort, seed);
      if (night.readings.size() > most_readings) continue;
      const Compared one = compare(night, find(night.readings, settings_of(night.plan.meter)), *relation);
      all.figures += one.figures;
      all.moved.insert(all.moved.end(), one.moved.begin(), one.moved.end());
    }
  INFO(name << ": of " << all.figures << " figures these moved by more than their uncertainty:" << joined(all.moved));
  CHECK(all.figures >= 30);
  CHECK(static_cast<int>(all.moved.size()) * 50 <= all.figures);
}

}  // namespace

TEST_CASE("two halves of a night agree with the whole where each has the evidence") {
  holds("halves");
}

TEST_CASE("a night twice in a row has the figures of the night") {
  holds("twice in a row");
}

TEST_CASE("every second reading alone gives the figures of all") {
  holds("every second reading");
}

TEST_CASE("a reading in fifty that is lost moves no figure by more than its uncertainty") {
  holds("one in fifty lost");
}

TEST_CASE("a count of noise on every reading moves no figure by more than its uncertainty") {
  holds("a step of noise");
}

TEST_CASE("without its first ten readings a night has the same figures") {
  holds("without the first ten");
}

TEST_CASE("twice the power on twice the display's step is twice every figure") {
  holds("times two");
}

TEST_CASE("stretches are the same to the bit however often one asks for them, and for what is provisional") {
  for (const std::string& sort : sort_names()) {
    const Night night = make_night(sort, first_seed);
    if (night.readings.size() > most_readings) continue;
    CAPTURE(sort);
    Random random(first_seed);
    const SegmenterSettings settings = settings_of(night.plan.meter);
    Segmenter whole(settings), asked(settings);
    std::vector<std::string> once, in_chunks;
    const auto take = [&] {
      for (const Regime& regime : asked.take_final()) in_chunks.push_back(encode_regime(regime));
    };
    for (const auto& [us, power_w] : night.readings) {
      whole.push(UtcTime{us}, power_w);
      asked.push(UtcTime{us}, power_w);
      if (random.chance(0.02)) take();
      if (random.chance(0.002)) CHECK_FALSE(asked.provisional().empty());
    }
    const UtcTime end{night.readings.back().first};
    whole.finish(end);
    asked.finish(end);
    for (const Regime& regime : whole.take_final()) once.push_back(encode_regime(regime));
    take();
    CHECK(once == in_chunks);
  }
}
