// Times as people say them. What is expected was made with `date -d` of the shell (GNU coreutils) for the zone given.
#include "measure/signal/spoken_time.hpp"

#include <catch2/catch.hpp>
#include <cstdlib>
#include <ctime>

using namespace nightwatt;

namespace {

constexpr std::int64_t us_per_s = 1'000'000;
/// 2026-03-30T10:00:00+02:00, the day after the clocks were put forward in Central Europe.
constexpr UtcTime now{1'774'857'600 * us_per_s};

std::int64_t seconds_of(const char* text) {
  const auto time = parse_spoken_time(text, now);
  INFO(text);
  REQUIRE(time);
  return time->us / us_per_s;
}

}  // namespace

TEST_CASE("times of day are the last ones, days begin at their local midnight, and lengths count back") {
  ::setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3", 1);
  ::tzset();
  CHECK(seconds_of("now") == 1'774'857'600);
  CHECK(seconds_of("09:15") == 1'774'854'900);     // the same day
  CHECK(seconds_of("21:15") == 1'774'811'700);     // 2026-03-29 21:15 CEST
  CHECK(seconds_of("10:00:01") == 1'774'771'201);  // 2026-03-29 10:00:01 CEST
  CHECK(seconds_of("9:15") == 1'774'854'900);
  CHECK(seconds_of("today") == 1'774'821'600);      // 2026-03-30 00:00 CEST
  CHECK(seconds_of("yesterday") == 1'774'738'800);  // 2026-03-29 00:00 CET
  CHECK(seconds_of("Yesterday 21:15") == 1'774'811'700);
  CHECK(seconds_of("2 h ago") == 1'774'850'400);
  CHECK(seconds_of("1 h 30 min ago") == 1'774'852'200);
  CHECK(seconds_of("90min ago") == 1'774'852'200);
  CHECK(seconds_of("0.5 h ago") == 1'774'855'800);
  CHECK(seconds_of("3 days ago") == 1'774'598'400);
  CHECK(seconds_of("2026-01-05T21:00:00Z") == 1'767'646'800);
  CHECK(seconds_of("1767646800") == 1'767'646'800);
  ::unsetenv("TZ");
  ::tzset();
}

TEST_CASE("what is no time is refused") {
  for (const char* text : {"", "soon", "25:00", "21:15:99", "ago", "2 ago", "2 parsecs ago", "yesterday evening",
                           "tomorrow", "-2 h ago", "99999999 weeks ago", "today 21:15 ago"})
    CHECK_FALSE(parse_spoken_time(text, now));
}
