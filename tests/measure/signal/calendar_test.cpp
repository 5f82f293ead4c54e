#include "measure/signal/calendar.hpp"

#include <catch2/catch.hpp>

using namespace nightwatt;

TEST_CASE("times are shown by the stretch of the record they lie in, and found again") {
  Calendar calendar;
  CHECK(calendar.shown(UtcTime{5}) == UtcTime{5});
  CHECK(calendar.record_time(UtcTime{5}) == UtcTime{5});
  calendar.add(UtcTime{100}, Duration{-10});
  calendar.add(UtcTime{200}, Duration{30});
  CHECK(calendar.shown(UtcTime{99}) == UtcTime{99});
  CHECK(calendar.shown(UtcTime{100}) == UtcTime{90});
  CHECK(calendar.shown(UtcTime{200}) == UtcTime{230});
  CHECK(calendar.record_time(UtcTime{80}) == UtcTime{80});
  CHECK(calendar.record_time(UtcTime{95}) == UtcTime{105});   // shown twice: the later one
  CHECK(calendar.record_time(UtcTime{215}) == UtcTime{200});  // never shown: within an outage
  CHECK(calendar.record_time(UtcTime{240}) == UtcTime{210});
  calendar.correct(Duration{40});
  CHECK(calendar.shown(UtcTime{199}) == UtcTime{189});
  CHECK(calendar.shown(UtcTime{200}) == UtcTime{240});
}

TEST_CASE("outages behind the same reading are one, known as soon as the last clock is right") {
  Calendar calendar;
  calendar.note_outage(UtcTime{100}, UtcTime{4'000'100});
  calendar.add(UtcTime{4'000'100}, Duration(-9'000'000));  // the clock stood behind
  CHECK_FALSE(calendar.rises());
  calendar.note_outage(UtcTime{100}, UtcTime{8'000'100});
  calendar.add(UtcTime{8'000'100}, Duration(-7'000'000));
  REQUIRE(calendar.outages().size() == 1);
  CHECK(calendar.unseen(calendar.outages().front()) == Duration(-7'000'000));
  CHECK(calendar.rises());
  calendar.note_outage(UtcTime{9'000'000}, UtcTime{9'500'000});
  calendar.add(UtcTime{9'500'000}, Duration(-8'000'000));
  REQUIRE(calendar.outages().size() == 2);
  CHECK_FALSE(calendar.unseen(calendar.outages().back()));
  CHECK_FALSE(calendar.rises());
}
