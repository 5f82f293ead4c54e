#include "measure/run/work.hpp"

#include <catch2/catch.hpp>

#include "made_segments.hpp"

using namespace nightwatt;
using made::segments;

TEST_CASE("a load that throttles has a highest level and the one it comes down to") {
  // 10 min at 44.85 W, then 40 min at 37.97 W: the work lasts 50 min and ended at 37.97 W.
  const auto run = segments({{SegmentKind::idle, 600, 8.0},
                             {SegmentKind::plateau, 600, 44.85},
                             {SegmentKind::plateau, 2400, 37.97},
                             {SegmentKind::ramp, 20, 20.0},
                             {SegmentKind::idle, 600, 8.0}});
  REQUIRE(load_segment(run) != nullptr);
  CHECK(load_segment(run)->level_w == 44.85);
  CHECK(sustained_load(run).plateau->level_w == 37.97);
  CHECK(sustained_load(run).longest_s == Approx(3020.0));
}

TEST_CASE("idle, standby, off, charging and a gap break a stretch of work") {
  const SegmentKind kind =
      GENERATE(SegmentKind::idle, SegmentKind::standby, SegmentKind::off, SegmentKind::charging, SegmentKind::gap);
  // 9 min + 1 min + 9 min: neither part is ten minutes long.
  const auto broken = segments({{SegmentKind::plateau, 540, 30.0}, {kind, 60, 5.0}, {SegmentKind::plateau, 540, 28.0}});
  CHECK(sustained_load(broken).plateau == nullptr);
  CHECK(sustained_load(broken).longest_s == Approx(540.0));
  const auto whole = segments(
      {{SegmentKind::plateau, 540, 30.0}, {SegmentKind::unsteady, 60, 5.0}, {SegmentKind::plateau, 540, 28.0}});
  CHECK(sustained_load(whole).plateau->level_w == 28.0);
}

TEST_CASE("the longest stretch counts, from ten minutes on") {
  const auto two = segments({{SegmentKind::plateau, 600, 30.0},
                             {SegmentKind::idle, 60, 5.0},
                             {SegmentKind::plateau, 500, 25.0},
                             {SegmentKind::plateau, 200, 24.0}});
  CHECK(sustained_load(two).plateau->level_w == 24.0);
  CHECK(sustained_load(segments({{SegmentKind::plateau, 600, 30.0}})).plateau != nullptr);
  CHECK(sustained_load(segments({{SegmentKind::plateau, 599, 30.0}})).plateau == nullptr);
}

TEST_CASE("work that goes on without a level after its last plateau ended at none") {
  const auto ending = [](double after_s) {
    return sustained_load(segments({{SegmentKind::plateau, 1200, 30.0}, {SegmentKind::unsteady, after_s, 15.0}}));
  };
  CHECK(ending(60.0).plateau->level_w == 30.0);
  CHECK(ending(61.0).plateau == nullptr);
  CHECK(ending(61.0).longest_s == Approx(1261.0));
}

TEST_CASE("the way down from a load is no end of its own, however long it takes") {
  const auto run = segments({{SegmentKind::plateau, 1200, 30.0}, {SegmentKind::ramp, 240, 20.0}});
  REQUIRE(sustained_load(run).plateau != nullptr);
  CHECK(sustained_load(run).plateau->level_w == 30.0);
}

TEST_CASE("a battery that fills is no load") {
  const auto run = segments({{SegmentKind::charging, 5400, 44.0}, {SegmentKind::idle, 3600, 4.2}});
  CHECK(load_segment(run) == nullptr);
  CHECK(sustained_load(run).plateau == nullptr);
  CHECK(sustained_load(run).longest_s == 0.0);
}

TEST_CASE("the load is the same in whatever order the plateaus came") {
  const std::vector<made::Made> acts = {
      {SegmentKind::plateau, 119, 60.0}, {SegmentKind::plateau, 120, 40.0}, {SegmentKind::plateau, 600, 35.0}};
  CHECK(load_segment(segments(acts))->level_w == 40.0);
  CHECK(load_segment(segments({acts[2], acts[1], acts[0]}))->level_w == 40.0);
  CHECK(load_segment(segments({acts[0], {SegmentKind::plateau, 30, 70.0}}))->level_w == 70.0);
}
