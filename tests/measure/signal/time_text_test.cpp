#include "measure/signal/time_text.hpp"

#include <catch2/catch.hpp>
#include <cstdlib>
#include <ctime>
#include <random>

using namespace nightwatt;

namespace {

/// Sets the zone for one test and puts it back.
class ZoneGuard {
 public:
  explicit ZoneGuard(const char* zone) {
    if (const char* before = std::getenv("TZ")) before_ = before;
    setenv("TZ", zone, 1);
    tzset();
  }
  ~ZoneGuard() {
    if (before_.empty())
      unsetenv("TZ");
    else
      setenv("TZ", before_.c_str(), 1);
    tzset();
  }
  ZoneGuard(const ZoneGuard&) = delete;
  ZoneGuard& operator=(const ZoneGuard&) = delete;

 private:
  std::string before_;
};

// Central European rules, written out so that no zone file is needed.
constexpr const char* middle_europe = "CET-1CEST,M3.5.0,M10.5.0/3";

}  // namespace

TEST_CASE("UTC text has milliseconds, and microseconds where they count") {
  CHECK(utc_text(UtcTime{1'767'646'800'000'000}) == "2026-01-05T21:00:00.000Z");
  CHECK(utc_text(UtcTime{1'767'646'800'250'000}) == "2026-01-05T21:00:00.250Z");
  CHECK(utc_text(UtcTime{1'767'646'800'000'001}) == "2026-01-05T21:00:00.000001Z");
  CHECK(utc_text(UtcTime{0}) == "1970-01-01T00:00:00.000Z");
  CHECK(utc_text(UtcTime{-1}) == "1969-12-31T23:59:59.999999Z");
  CHECK(utc_text(UtcTime{951'782'400'000'000}) == "2000-02-29T00:00:00.000Z");
}

TEST_CASE("UTC text agrees with gmtime for instants of four centuries") {
  std::mt19937_64 random(3);
  for (int i = 0; i < 20'000; ++i) {
    const std::time_t second = static_cast<std::time_t>(random() % 12'622'780'800ULL) - 2'208'988'800;
    std::tm fields{};
    REQUIRE(gmtime_r(&second, &fields) != nullptr);
    char text[64];
    REQUIRE(std::strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%S.000Z", &fields) > 0);
    REQUIRE(utc_text(UtcTime{second * 1'000'000}) == text);
    REQUIRE(parse_time(text)->us == second * 1'000'000);
  }
}

TEST_CASE("Unix text has as many decimals as needed and reads back") {
  CHECK(unix_text(UtcTime{1'767'646'800'250'000}) == "1767646800.25");
  CHECK(unix_text(UtcTime{1'767'646'800'000'000}) == "1767646800");
  CHECK(unix_text(UtcTime{1}) == "0.000001");
  CHECK(unix_text(UtcTime{-250'000}) == "-0.25");
  CHECK(parse_time("1767646800.25")->us == 1'767'646'800'250'000);
  CHECK(parse_time("0")->us == 0);
  CHECK(parse_time("12.3456789")->us == 12'345'679);
  CHECK(parse_time("12.9999999")->us == 13'000'000);
}

TEST_CASE("ISO 8601 is read with Z, an offset, a blank for T, or a date alone") {
  const std::int64_t evening = 1'767'646'800'000'000;
  CHECK(parse_time("2026-01-05T21:00:00Z")->us == evening);
  CHECK(parse_time("2026-01-05 21:00:00Z")->us == evening);
  CHECK(parse_time("2026-01-05t21:00z")->us == evening);
  CHECK(parse_time("2026-01-05T22:00:00+01:00")->us == evening);
  CHECK(parse_time("2026-01-05T22:00:00+0100")->us == evening);
  CHECK(parse_time("2026-01-05T22:00:00+01")->us == evening);
  CHECK(parse_time("2026-01-05T15:30:00-05:30")->us == evening);
  CHECK(parse_time("2026-01-05T21:00:00.25Z")->us == evening + 250'000);
}

TEST_CASE("a time that is none is refused in one line") {
  for (const char* text : {"",
                           "yesterday",
                           "2026",
                           "2026-13-01T00:00Z",
                           "2026-02-29T00:00Z",
                           "2026-01-32",
                           "2026-01-05T24:00Z",
                           "2026-01-05T21:60Z",
                           "2026-01-05T21:00:60Z",
                           "2026-01-05T21:00:00.Z",
                           "2026-01-05T21:00:00Z ",
                           "2026-01-05T2:00Z",
                           "2026-01-05T21:00:00+25:00",
                           "2026-01-05T21:00:00+",
                           "-5",
                           "1e9",
                           "1.",
                           ".5",
                           "999999999999",
                           "1767646800000000",
                           "2026-01-05X21:00Z",
                           "0000-00-00",
                           "2026-01-05T21"}) {
    CAPTURE(text);
    const auto time = parse_time(text);
    if (std::string_view(text) == "2026") {
      CHECK(time.has_value());  // Unix seconds
      continue;
    }
    REQUIRE_FALSE(time.has_value());
    CHECK(time.error().kind == ErrorKind::input);
    CHECK(time.error().message.find('\n') == std::string::npos);
  }
  CHECK(parse_time(std::string(100'000, '\n')).error().message.size() < 300);
}

TEST_CASE("a time without offset is the machine's local time, summer and winter") {
  const ZoneGuard zone(middle_europe);
  CHECK(parse_time("2026-01-05 22:00:00")->us == 1'767'646'800'000'000);
  CHECK(utc_text(*parse_time("2026-07-05 22:00")) == "2026-07-05T20:00:00.000Z");
  CHECK(local_text(UtcTime{1'767'646'800'000'000}) == "2026-01-05 22:00:00 +01:00");
  CHECK(local_text(*parse_time("2026-07-05T20:00Z")) == "2026-07-05 22:00:00 +02:00");
  CHECK(utc_text(*parse_time("2026-01-05")) == "2026-01-04T23:00:00.000Z");
}

TEST_CASE("of an hour that comes twice the first is meant, and a skipped hour does not exist") {
  const ZoneGuard zone(middle_europe);
  CHECK(utc_text(*parse_time("2026-10-25 02:30")) == "2026-10-25T00:30:00.000Z");
  CHECK(parse_time("2026-10-25 02:30:00+01:00")->us - parse_time("2026-10-25 02:30")->us == 3'600'000'000);
  CHECK_FALSE(parse_time("2026-03-29 02:30").has_value());
  CHECK(utc_text(*parse_time("2026-03-29 03:00")) == "2026-03-29T01:00:00.000Z");
}

TEST_CASE("a zone west of Greenwich shows its offset with a minus") {
  const ZoneGuard zone("NST3:30");
  CHECK(local_text(UtcTime{1'767'646'800'000'000}) == "2026-01-05 17:30:00 -03:30");
}

TEST_CASE("a length of time is told in the two units that matter") {
  CHECK(duration_text({0.0}) == "0 s");
  CHECK(duration_text({1.23}) == "1.2 s");
  CHECK(duration_text({9.97}) == "10 s");
  CHECK(duration_text({95.2}) == "95 s");
  CHECK(duration_text({119.6}) == "2 min");
  CHECK(duration_text({725.0}) == "12 min 5 s");
  CHECK(duration_text({29'520.0}) == "8 h 12 min");
  CHECK(duration_text({3600.0}) == "1 h");
  CHECK(duration_text({200'000.0}) == "2 d 8 h");
  CHECK(duration_text({-95.0}) == "-95 s");
}
