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
