#include <algorithm>
#include <catch2/catch.hpp>

#include "measure/segment/segment.hpp"

using namespace nightwatt;

TEST_CASE("every kind has one name and one number, and lists name each once") {
  for (std::size_t number = 0; number < segment_kind_count; ++number) {
    const auto kind = segment_kind_from_number(static_cast<std::int64_t>(number));
    REQUIRE(kind.has_value());
    CHECK(segment_kind_from_name(segment_kind_name(*kind)) == kind);
    CHECK(std::count(all_segment_kinds.begin(), all_segment_kinds.end(), *kind) == 1);
  }
  CHECK_FALSE(segment_kind_from_number(segment_kind_count).has_value());
  CHECK_FALSE(segment_kind_from_number(-1).has_value());
}

TEST_CASE("the numbers that stores keep of kinds stay theirs") {
  // docs/format.md, table mark: 0 off, 1 standby, 2 idle, 3 ramp, 4 plateau, 5 unsteady, 6 gap, 7 charging.
  const char* names[] = {"off", "standby", "idle", "ramp", "plateau", "unsteady", "gap", "charging"};
  for (std::int64_t number = 0; number < 8; ++number)
    CHECK(segment_kind_name(*segment_kind_from_number(number)) == names[number]);
}
