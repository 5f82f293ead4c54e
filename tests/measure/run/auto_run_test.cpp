#include "measure/run/auto_run.hpp"

#include <catch2/catch.hpp>
#include <random>
#include <vector>

using namespace nightwatt;

namespace {

struct Seen {
  AutoRun::Change change;
  double at_s;
  double told_s;
};

/// Feeds a record and lists what happened.
class Player {
 public:
  explicit Player(AutoRun::Settings settings) : settings_(settings), run_(settings) {}
  void push(double power_w, double interval_s = 1.0) {
    now_s_ += interval_s;
    const auto event = run_.push(UtcTime{static_cast<std::int64_t>(now_s_ * 1e6)}, power_w);
    if (event.change != AutoRun::Change::none)
      seen.push_back({event.change, static_cast<double>(event.at.us) * 1e-6, now_s_});
    if (++count_ % 7 == 0) run_ = std::move(*AutoRun::restore(settings_, run_.save()));  // must make no difference
  }
  void push_many(int count, double power_w, double interval_s = 1.0) {
    for (int i = 0; i < count; ++i) push(power_w, interval_s);
  }
  [[nodiscard]] bool on() const { return run_.on(); }
  [[nodiscard]] double now_s() const { return now_s_; }
  std::vector<Seen> seen;

 private:
  AutoRun::Settings settings_;
  AutoRun run_;
  double now_s_ = 0.0;
  int count_ = 0;
};

AutoRun::Settings with_step(double step_w) {
  AutoRun::Settings settings;
  settings.traits.resolution_w = step_w;
  return settings;
}

}  // namespace

TEST_CASE("a device that comes on and goes off is one run from its first reading to where off began") {
  Player player(with_step(0.01));
  player.push_many(60, 0.0);
  player.push_many(600, 25.0);
  player.push_many(400, 0.0);
  REQUIRE(player.seen.size() == 2);
  CHECK(player.seen[0].change == AutoRun::Change::came_on);
  CHECK(player.seen[0].at_s == 61.0);
  CHECK(player.seen[0].told_s == 62.0);
  CHECK(player.seen[1].change == AutoRun::Change::went_off);
  CHECK(player.seen[1].at_s == 661.0);
  CHECK(player.seen[1].told_s == 961.0);
}

TEST_CASE("the same without knowing the display step") {
  Player player(AutoRun::Settings{});
  player.push_many(60, 0.0);
  for (int i = 0; i < 600; ++i) player.push(25.0 + 0.1 * (i % 3));
  player.push_many(400, 0.0);
  REQUIRE(player.seen.size() == 2);
  CHECK(player.seen[0].at_s == 61.0);
  CHECK(player.seen[1].at_s == 661.0);
}

TEST_CASE("single counts of noise open no run") {
  Player player(with_step(1.0));
  for (int i = 0; i < 3600; ++i) player.push(i % 25 == 7 ? 1.0 : 0.0);
  CHECK(player.seen.empty());
  player.push(150.0);  // a single spike neither
  player.push_many(600, 0.0);
  CHECK(player.seen.empty());
}

TEST_CASE("a single count of noise does not keep a run open") {
  Player player(with_step(1.0));
  player.push_many(100, 30.0);
  for (int i = 0; i < 400; ++i) player.push(i % 60 == 50 ? 1.0 : 0.0);
  REQUIRE(player.seen.size() == 2);
  CHECK(player.seen[1].at_s == 101.0);
}

TEST_CASE("a 0.6 W device that a whole-watt display shows as 0 and 1 by turns stays one run") {
  const unsigned seed = GENERATE(1U, 2U, 3U);
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::normal_distribution<double> noise(0.6, 1.0 / 3.0);
  Player player(with_step(1.0));
  for (int i = 0; i < 8 * 3600; ++i) player.push(std::round(noise(random)));
  REQUIRE(player.seen.size() == 1);
  CHECK(player.seen[0].change == AutoRun::Change::came_on);
  CHECK(player.on());
}

TEST_CASE("a level below a quarter of the display step is off") {
  std::mt19937 random(4);
  Player player(with_step(1.0));
  for (int i = 0; i < 3600; ++i) player.push(random() % 10 == 0 ? 1.0 : 0.0);  // 0.1 W
  CHECK_FALSE(player.on());
}

TEST_CASE("the starting threshold overrules the display step") {
  AutoRun::Settings settings = with_step(0.01);
  settings.traits.starting_w = 0.4;
  Player player(settings);
  player.push_many(100, 0.4);
  CHECK(player.seen.empty());
  player.push_many(100, 0.45);
  REQUIRE(player.seen.size() == 1);
  CHECK(player.seen[0].at_s == 101.0);
}

TEST_CASE("off for less than auto_end_s does not end a run") {
  Player player(with_step(0.1));
  player.push_many(100, 30.0);
  player.push_many(299, 0.0);
  player.push_many(100, 30.0);
  CHECK(player.seen.size() == 1);
  CHECK(player.on());
}

TEST_CASE("a run goes on across a hole in the readings") {
  Player player(with_step(0.1));
  player.push_many(100, 30.0);
  player.push(30.0, 7200.0);
  player.push_many(100, 30.0);
  CHECK(player.seen.size() == 1);
  CHECK(player.on());
}

TEST_CASE("a device found off after a hole went off when it was seen off") {
  Player player(with_step(0.1));
  player.push_many(100, 30.0);
  player.push(0.0, 7200.0);
  player.push_many(299, 0.0);
  CHECK(player.on());
  player.push(0.0);
  REQUIRE(player.seen.size() == 2);
  CHECK(player.seen[1].at_s == 7300.0);
}

TEST_CASE("a device seen off before a long hole is another device after it") {
  Player player(with_step(0.1));
  player.push_many(100, 30.0);
  player.push_many(60, 0.0);
  player.push(12.0, 3600.0);
  player.push_many(10, 12.0);
  REQUIRE(player.seen.size() == 3);
  CHECK(player.seen[1].change == AutoRun::Change::went_off);
  CHECK(player.seen[1].at_s == 101.0);
  CHECK(player.seen[2].change == AutoRun::Change::came_on);
}

TEST_CASE("a meter of one reading a minute opens and ends runs too") {
  Player player(with_step(0.1));
  player.push_many(30, 0.0, 60.0);
  player.push_many(60, 30.0, 60.0);
  player.push_many(10, 0.0, 60.0);
  REQUIRE(player.seen.size() == 2);
  CHECK(player.seen[0].at_s == 31 * 60.0);
  CHECK(player.seen[1].at_s == 91 * 60.0);
}

TEST_CASE("state stays small at a thousand readings a second") {
  AutoRun run(with_step(0.1));
  for (int i = 0; i < 60'000; ++i) (void)run.push(UtcTime{i * 1000}, i % 2 == 0 ? 30.0 : 0.0);
  CHECK(run.on());
  CHECK(run.save().size() < 16384);
}

TEST_CASE("damaged state is refused") {
  AutoRun run(with_step(0.1));
  for (int i = 0; i < 60; ++i) (void)run.push(UtcTime{i * 1'000'000}, 30.0);
  const std::string bytes = run.save();
  for (std::size_t length = 0; length < bytes.size(); ++length)
    CHECK_FALSE(AutoRun::restore(with_step(0.1), std::string_view(bytes).substr(0, length)).has_value());
}
