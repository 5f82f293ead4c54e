// The simulator's script language: docs/simulator.md.
#include <catch2/catch.hpp>

#include "sim/script.hpp"

namespace nightwatt::sim {
namespace {

std::string error_of(std::string_view text) {
  const auto script = parse_script(text, "night.sim");
  return script ? "" : script.error().message;
}

TEST_CASE("stages follow one another and a ramp starts where the stage before it ended") {
  const auto script = parse_script("level 1.6W for 1min\nramp 25 for 10  # up\nlevel 25 for 0.5h\n", "night.sim");
  REQUIRE(script);
  REQUIRE(script->stages.size() == 3);
  CHECK(script->stages[1].begin_s == 60.0);
  CHECK(script->stages[1].from_w == 1.6);
  CHECK(script->stages[2].begin_s == 70.0);
  CHECK(script->length_s() == 1870.0);
}

TEST_CASE("noise counts for the stages after it") {
  const auto script = parse_script("level 5 for 1\nnoise white 200mW\nlevel 5 for 1\nnoise none\nlevel 5 for 1", "n");
  REQUIRE(script);
  CHECK(script->stages[0].noise.white_w == 0.0);
  CHECK(script->stages[1].noise.white_w == 0.2);
  CHECK(script->stages[2].noise.white_w == 0.0);
}

TEST_CASE("`every` becomes one fault an instant, and faults are sorted by time") {
  const auto script = parse_script("level 5 for 100\nevery 30s from 10s until 70s cut 2\nat 5 unplug 3", "n");
  REQUIRE(script);
  REQUIRE(script->faults.size() == 4);
  CHECK(script->faults[0].type == FaultType::unplug);
  CHECK(script->faults[3].at_s == 70.0);
  CHECK(script->faults[3].count == 2);
}

TEST_CASE("a wrong line is refused with file, line and what was expected") {
  CHECK(error_of("level 5 for 10\nlevle 5 for 10\n") == "night.sim:2: unknown word `levle`");
  CHECK(error_of("level five for 10") ==
        "night.sim:1: the level must be a power such as 25, 1.5W or 900mW, not `five`");
  CHECK(error_of("level 5 for") ==
        "night.sim:1: the length must be a duration such as 90s, 10min or 8h, the line ends");
  CHECK(error_of("level 5 for 10 20") == "night.sim:1: too much: `20`");
  CHECK(error_of("level 5 for 0") == "night.sim:1: the length must be longer than 0");
  CHECK(error_of("level 5 for -3") != "");
  CHECK(error_of("level nan for 3") != "");
  CHECK(error_of("level 1e300 for 3") != "");
  CHECK(error_of("at 3 fire 2\nlevel 5 for 9") == "night.sim:1: unknown fault `fire`");
  CHECK(error_of("display 0\nlevel 5 for 9") == "night.sim:1: the display step must be above 0");
  CHECK(error_of("") == "night.sim: no stage; write at least `level 25 for 10min`");
  CHECK(error_of("every 1ms from 0 until 10h cut\nlevel 5 for 9") == "night.sim:1: too many faults");
}

}  // namespace
}  // namespace nightwatt::sim
