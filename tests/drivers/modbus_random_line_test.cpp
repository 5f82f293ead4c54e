// Of random Modbus meters on random lines nothing is stored that they did not say; `tools/dev bench lines` tries
// thousands.

#include <catch2/catch.hpp>

#include "drivers/protocols.hpp"
#include "tests/drivers/random_line.hpp"

namespace nightwatt::test {

TEST_CASE(
    "a random Modbus meter on a random line gives no wrong value, none twice, and all of them once the line is well") {
  constexpr std::uint64_t first_seed = 20'261'127;
  constexpr std::uint64_t lines = 150;
  int complete = 0;
  for (std::uint64_t seed = first_seed; seed < first_seed + lines; ++seed) {
    const LineCase line = LineCase::draw(seed);
    const LineResult result =
        run_line(line, [](const MeterProfile& profile) { return drivers::make_decoder(profile).value(); });
    if (result.must_be_complete) ++complete;
    CAPTURE(line.text(), result.readings, result.first_wrong, result.slots, result.in_slots, result.whole, result.late);
    CHECK(result.wrong == 0);
    CHECK(result.doubled == 0);
    CHECK(result.disordered == 0);
    CHECK(result.is_good());
  }
  CHECK(complete > 10);
}

}  // namespace nightwatt::test
