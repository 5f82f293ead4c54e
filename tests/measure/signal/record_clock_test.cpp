#include "measure/signal/record_clock.hpp"

#include <catch2/catch.hpp>

using namespace nightwatt;

TEST_CASE("record time follows the monotonic clock whatever the calendar does") {
  RecordClock clock(MonoTime{5'000'000}, UtcTime{1'000'000'000'000}, std::nullopt);
  CHECK(clock.at(MonoTime{5'000'000}) == UtcTime{1'000'000'000'000});
  CHECK(clock.at(MonoTime{8'000'000}) == UtcTime{1'000'003'000'000});
  CHECK(clock.utc_offset() == Duration{0});
  const auto step = clock.observe(MonoTime{8'000'000}, UtcTime{1'000'003'000'000 + 7'200'000'000});
  REQUIRE(step.has_value());
  CHECK(*step == Duration{7'200'000'000});
  CHECK(clock.utc_offset() == Duration{7'200'000'000});
  CHECK(clock.at(MonoTime{9'000'000}) == UtcTime{1'000'004'000'000});
  CHECK_FALSE(clock.observe(MonoTime{9'000'000}, UtcTime{1'000'004'000'000 + 7'200'000'000}).has_value());
  const auto back = clock.observe(MonoTime{10'000'000}, UtcTime{1'000'005'000'000 - 3'600'000'000});
  REQUIRE(back.has_value());
  CHECK(*back == Duration{-10'800'000'000});
}

TEST_CASE("a calendar that creeps by less than a second is no step") {
  RecordClock clock(MonoTime{0}, UtcTime{0}, std::nullopt);
  CHECK_FALSE(clock.observe(MonoTime{100}, UtcTime{1'000'100}).has_value());
  CHECK(clock.observe(MonoTime{100}, UtcTime{1'000'101}).has_value());
}

TEST_CASE("a record never begins before what is already stored") {
  RecordClock clock(MonoTime{0}, UtcTime{1'000}, UtcTime{5'000'000});
  CHECK(clock.at(MonoTime{0}) == UtcTime{5'000'001});
  CHECK(clock.utc_offset() == Duration{1'000 - 5'000'001});
  CHECK(clock.at(MonoTime{0}) + clock.utc_offset() == UtcTime{1'000});
}
