// The contract's section "Runs", sentence by sentence, then what must hold whatever happens in between.
#include "daemon/meter_recorder.hpp"

#include <catch2/catch.hpp>
#include <random>

#include "tests/daemon/store_support.hpp"
#include "tests/run_sql.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using namespace nightwatt::test;
using storage::RunOrigin;

namespace {

UtcTime at(int seconds) {
  return evening + seconds * Duration(1'000'000);
}

// Off for a minute, then a device, then off for so long.
std::vector<Piece> one_device(int off_after) {
  return {{0.0, 60}, {5.0, 600}, {0.0, off_after}};
}

void same_figures(const figures::RunFigures& a, const figures::RunFigures& b) {
  CHECK(a.info.begin == b.info.begin);
  CHECK(a.info.end == b.info.end);
  CHECK(a.totals.samples() == b.totals.samples());
  CHECK(a.totals.energy_wh() == b.totals.energy_wh());
  CHECK(a.totals.peak_w() == b.totals.peak_w());
  CHECK(a.totals.gap_s() == b.totals.gap_s());
  REQUIRE(a.segments.size() == b.segments.size());
  for (std::size_t i = 0; i < a.segments.size(); ++i) {
    CHECK(a.segments[i].kind == b.segments[i].kind);
    CHECK(a.segments[i].begin == b.segments[i].begin);
    CHECK(a.segments[i].end == b.segments[i].end);
    CHECK(a.segments[i].level_w == b.segments[i].level_w);
    CHECK(a.segments[i].uncertainty_w == b.segments[i].uncertainty_w);
    CHECK(a.segments[i].energy_wh == b.segments[i].energy_wh);
  }
}

}  // namespace

TEST_CASE("a reading is always stored, with a run or without, with automatic runs or without") {
  RecorderSettings settings = bench_settings();
  settings.auto_runs = GENERATE(true, false);
  RecordedMeter meter(settings);
  meter.record(evening_of({{0.0, 100}, {5.0, 200}, {0.0, 400}, {5.0, 100}}));
  CHECK(meter.stored() == 800);
  CHECK(meter.runs().empty() != settings.auto_runs);
  CHECK(meter.check().ok);
}

TEST_CASE("an automatic run opens when the device comes on, with the readings since it came on, and has no device") {
  RecordedMeter meter;
  meter.record(evening_of({{0.0, 60}, {5.0, 120}}));
  const auto runs = meter.runs();
  REQUIRE(runs.size() == 1);
  CHECK(runs[0].origin == RunOrigin::automatic);
  CHECK_FALSE(runs[0].device);
  CHECK_FALSE(runs[0].end);
  CHECK(runs[0].begin == at(60));
  CHECK(meter.figures(runs[0].id).totals.samples() == 120);
}

TEST_CASE("an automatic run ends where off began, once it has been off for auto_end_s") {
  RecordedMeter meter;
  meter.record(evening_of(one_device(290)));
  REQUIRE(meter.runs().size() == 1);
  CHECK_FALSE(meter.runs()[0].end);
  meter.record(evening_of({{0.0, 100}}, at(950)));
  const auto runs = meter.runs();
  REQUIRE(runs.size() == 1);
  REQUIRE(runs[0].end);
  // Off began with the first reading at 0 W, which is none of the device's.
  CHECK(*runs[0].end == at(659));
  const auto figures = meter.figures(runs[0].id);
  CHECK(figures.totals.samples() == 600);
  REQUIRE_FALSE(figures.segments.empty());
  CHECK(figures.segments.back().lowest_w >= 5.0);
  // 5 W (and up to 0.03 W of noise) for 600 s are 0.833 Wh.
  REQUIRE(figures.totals.energy_wh());
  CHECK(*figures.totals.energy_wh() == Approx(5.0 * 600 / 3600).margin(0.01));
  CHECK(meter.check().ok);
}

TEST_CASE("a night with three devices is three runs without a hand") {
  RecordedMeter meter;
  meter.record(evening_of({{0.0, 60}, {5.0, 300}, {0.0, 400}, {25.0, 300}, {0.0, 400}, {8.0, 300}, {0.0, 400}}));
  const auto runs = meter.runs();
  REQUIRE(runs.size() == 3);
  CHECK(runs[0].begin == at(60));
  CHECK(runs[1].begin == at(760));
  CHECK(runs[2].begin == at(1460));
  for (const auto& run : runs) CHECK(run.end);
}

TEST_CASE("a device that is off for less than auto_end_s stays in its run") {
  RecordedMeter meter;
  meter.record(evening_of({{0.0, 60}, {5.0, 300}, {0.0, 200}, {5.0, 300}, {0.0, 400}}));
  REQUIRE(meter.runs().size() == 1);
  CHECK(*meter.runs()[0].end >= at(859));
}

TEST_CASE("begin ends an open automatic run there and then") {
  RecordedMeter meter;
  meter.record(evening_of({{0.0, 60}, {5.0, 300}}));
  const auto run = meter.begin("Gannet board", at(360));
  REQUIRE(run);
  const auto runs = meter.runs();
  REQUIRE(runs.size() == 2);
  CHECK(runs[0].end == at(359));  // its last reading: the next belongs to the new run
  CHECK(runs[1].id == *run);
  CHECK(runs[1].origin == RunOrigin::by_hand);
  CHECK(runs[1].device == "Gannet board");
  CHECK_FALSE(runs[1].end);
  meter.record(evening_of({{5.0, 60}}, at(360)));
  CHECK(meter.runs().size() == 2);
  CHECK(meter.check().ok);
}

TEST_CASE("begin is refused over an open hand-opened run, and nothing changes") {
  RecordedMeter meter;
  REQUIRE(meter.begin("Gannet board", at(0)));
  meter.record(evening_of({{5.0, 60}}));
  const auto refused = meter.begin("Puffin mini", at(60));
  REQUIRE_FALSE(refused);
  CHECK(refused.error().kind == ErrorKind::negative);
  REQUIRE(meter.runs().size() == 1);
  CHECK(meter.runs()[0].device == "Gannet board");
  CHECK_FALSE(meter.runs()[0].end);
}

TEST_CASE("off never ends a hand-opened run") {
  RecordedMeter meter;
  REQUIRE(meter.begin("Gannet board", at(0)));
  meter.record(evening_of({{5.0, 300}, {0.0, 4000}, {5.0, 300}}));
  REQUIRE(meter.runs().size() == 1);
  CHECK_FALSE(meter.runs()[0].end);
  CHECK(meter.figures(meter.runs()[0].id).totals.samples() == 4600);
}

TEST_CASE("after end no automatic run opens until off was seen, then one does") {
  RecordedMeter meter;
  meter.record(evening_of({{0.0, 60}, {5.0, 300}}));
  REQUIRE(meter.end(at(360)));
  meter.record(evening_of({{5.0, 1000}}, at(360)));
  CHECK(meter.runs().size() == 1);
  SECTION("a minute of off is enough") {
    meter.record(evening_of({{0.0, 60}, {9.0, 300}}, at(1360)));
    REQUIRE(meter.runs().size() == 2);
    CHECK(meter.runs()[1].begin == at(1420));
  }
  SECTION("also where the service is started anew in between") {
    meter.restart();
    meter.record(evening_of({{5.0, 300}}, at(1360)));
    CHECK(meter.runs().size() == 1);
    meter.record(evening_of({{0.0, 60}, {9.0, 300}}, at(1660)));
    CHECK(meter.runs().size() == 2);
  }
}

TEST_CASE("after end with the device already off the next device opens a run") {
  RecordedMeter meter;
  REQUIRE(meter.begin("Gannet board", at(0)));
  meter.record(evening_of({{5.0, 300}, {0.0, 100}}));
  REQUIRE(meter.end(at(400)));
  meter.record(evening_of({{0.0, 10}, {7.0, 100}}, at(400)));
  REQUIRE(meter.runs().size() == 2);
  CHECK(meter.runs()[1].begin == at(410));
  CHECK(meter.runs()[1].origin == RunOrigin::automatic);
}

TEST_CASE("end without an open run is the answer no") {
  RecordedMeter meter;
  meter.record(evening_of({{0.0, 60}}));
  const auto refused = meter.end(at(60));
  REQUIRE_FALSE(refused);
  CHECK(refused.error().kind == ErrorKind::negative);
}

TEST_CASE("a restart continues the open run, by hand or automatic, and the hole is a gap") {
  const bool by_hand = GENERATE(true, false);
  RecordedMeter meter;
  if (by_hand) REQUIRE(meter.begin("Gannet board", at(0)));
  meter.record(evening_of({{5.0, 300}}));
  meter.restart();
  meter.record(evening_of({{5.0, 300}}, at(900)));
  REQUIRE(meter.runs().size() == 1);
  const auto figures = meter.figures(meter.runs()[0].id);
  CHECK(figures.totals.samples() == 600);
  CHECK(figures.totals.gap_s() == Approx(601.0));
  bool gap = false;
  for (const Segment& segment : figures.segments) gap = gap || segment.kind == SegmentKind::gap;
  CHECK(gap);
}

TEST_CASE("a whole-watt display that shows 0 and 1 by turns is a device that is on") {
  RecorderSettings settings = bench_settings();
  settings.traits.resolution_w = 1.0;
  settings.traits.starting_w.reset();
  RecordedMeter meter(settings);
  std::vector<Reading> readings;
  for (int i = 0; i < 1800; ++i) readings.push_back({at(i), power(i % 2 == 0 ? 0 : 1000)});
  meter.record(readings);
  REQUIRE(meter.runs().size() == 1);
  CHECK_FALSE(meter.runs()[0].end);
}

TEST_CASE("begin in the past takes the stored readings from there on") {
  RecordedMeter meter;
  meter.record(evening_of({{0.0, 60}, {5.0, 600}}));
  SECTION("inside the automatic run: that one ends there") {
    const auto run = meter.begin("Gannet board", at(300), at(660));
    REQUIRE(run);
    REQUIRE(meter.runs().size() == 2);
    CHECK(meter.runs()[0].end == at(299));
    CHECK(meter.figures(*run).totals.samples() == 360);
    CHECK(*meter.figures(meter.runs()[0].id).totals.energy_wh() == Approx(5.0 * 240 / 3600).margin(0.01));
  }
  SECTION("before the automatic run: it gives way") {
    const auto run = meter.begin("Gannet board", at(30), at(660));
    REQUIRE(run);
    REQUIRE(meter.runs().size() == 1);
    CHECK(meter.figures(*run).totals.samples() == 630);
  }
  SECTION("over an earlier run that has ended: refused as wrong input") {
    REQUIRE(meter.end(at(600), at(660)));
    const auto refused = meter.begin("Gannet board", at(500), at(660));
    REQUIRE_FALSE(refused);
    CHECK(refused.error().kind == ErrorKind::input);
    REQUIRE(meter.begin("Gannet board", at(600), at(660)));
  }
  SECTION("in the future: refused as wrong input") {
    const auto refused = meter.begin("Gannet board", at(661), at(660));
    REQUIRE_FALSE(refused);
    CHECK(refused.error().kind == ErrorKind::input);
  }
  CHECK(meter.check().ok);
}

TEST_CASE("end in the past leaves out the readings after it, and a run cannot end before it began or in the future") {
  RecordedMeter meter;
  const auto run = meter.begin("Gannet board", at(10));
  REQUIRE(run);
  meter.record(evening_of({{5.0, 600}}, at(10)));
  CHECK(meter.end(at(5), at(610)).error().kind == ErrorKind::input);
  CHECK(meter.end(at(611), at(610)).error().kind == ErrorKind::input);
  REQUIRE(meter.end(at(309), at(610)) == *run);
  const auto figures = meter.figures(*run);
  CHECK(figures.totals.samples() == 300);
  CHECK(figures.info.end == at(309));
  CHECK(figures.segments.back().end == at(309));
  CHECK(meter.check().ok);
}

TEST_CASE("end in the past equals a record that ended there, though the state was saved after that instant") {
  const std::vector<Reading> night = evening_of({{5.0, 3000}, {9.0, 3000}});
  RecordedMeter cut;
  const auto run = cut.begin("Gannet board", at(0));
  cut.record(night);  // more than save_readings
  REQUIRE(cut.end(at(1999), at(6000)));
  RecordedMeter whole;
  REQUIRE(whole.begin("Gannet board", at(0)));
  whole.record({night.begin(), night.begin() + 2000});
  REQUIRE(whole.end(at(1999)));
  same_figures(cut.figures(*run), whole.figures(*run));
}

TEST_CASE("split ends the open run and opens the next, which lacks a device") {
  RecordedMeter meter;
  const auto first = meter.begin("Gannet board", at(0));
  meter.record(evening_of({{5.0, 300}, {25.0, 300}}));
  const auto second = meter.split(at(300), at(600));
  REQUIRE(second);
  const auto runs = meter.runs();
  REQUIRE(runs.size() == 2);
  CHECK(runs[0].id == *first);
  CHECK(runs[0].end == at(299));
  CHECK(runs[0].samples == 300);
  CHECK(runs[1].samples == 300);
  CHECK(runs[1].id == *second);
  CHECK(runs[1].begin == at(300));
  CHECK_FALSE(runs[1].device);
  CHECK(runs[1].origin == RunOrigin::by_hand);
  CHECK_FALSE(meter.split(at(300), at(600)));
  CHECK_FALSE(meter.split(at(700), at(600)));
}

TEST_CASE("join takes a split of the open run back: it goes on as if it had never been parted") {
  RecordedMeter parted;
  RecordedMeter whole;
  const auto first = parted.begin("Gannet board", at(0));
  const auto same = whole.begin("Gannet board", at(0));
  const auto before = evening_of({{5.0, 300}, {25.0, 300}});
  parted.record(before);
  whole.record(before);
  REQUIRE(parted.split(at(300), at(600)));
  REQUIRE(parted.join(*first) == *first);
  REQUIRE(parted.runs().size() == 1);
  const auto after = evening_of({{5.0, 200}}, at(600));
  parted.record(after);
  whole.record(after);
  REQUIRE(parted.end(at(799)));
  REQUIRE(whole.end(at(799)));
  same_figures(parted.figures(*first), whole.figures(*same));
  CHECK(parted.check().ok);
  CHECK_FALSE(parted.join(*first));  // nothing is open
}

// Found by the simulated world, seed 511024 of 20 minutes and 100 faults: two runs of one meter overlapped.
TEST_CASE("join is refused over a run that lies between, and nothing changes") {
  RecordedMeter meter;
  const auto first = meter.begin("Gannet board", at(0));
  meter.record(evening_of({{25.0, 900}}));
  REQUIRE(meter.split(at(300), at(899)));
  REQUIRE(meter.split(at(600), at(899)));
  CHECK_FALSE(meter.join(*first));
  CHECK(meter.runs().size() == 3);
  CHECK(meter.check().ok);
}

TEST_CASE("join goes on though a third run is damaged, and is refused where that one may lie between the two") {
  RecordedMeter meter;
  REQUIRE(meter.begin("Gannet board", at(0)));
  meter.record(evening_of({{25.0, 900}}));
  const auto second = meter.split(at(300), at(899));
  REQUIRE(meter.split(at(600), at(899)));
  // Triggers would take the seal away, as from a program that is older.
  run_sql(meter.path(), "DROP TRIGGER run_altered");
  const std::string damage = GENERATE(as<std::string>{}, "note = 'x'", "begin_us = begin_us + 700000000", "stream = 7",
                                      "end_us = end_us + 1", "end_us = NULL");
  CAPTURE(damage);
  SECTION("it lies before them") {
    run_sql(meter.path(), "UPDATE run SET " + damage + " WHERE id = 1");
    meter.restart();
    REQUIRE(meter.join(*second) == *second);
    CHECK(meter.figures(*second).totals.samples() == 600);
  }
  SECTION("it lies between them") {
    run_sql(meter.path(), "UPDATE run SET " + damage + " WHERE id = 2");
    meter.restart();
    const auto joined = meter.join(1);
    REQUIRE_FALSE(joined);
    CHECK(joined.error().message.find("run 2 is damaged and may lie between") != std::string::npos);
  }
}

TEST_CASE("a begin and an end with nothing between are a run without readings") {
  RecordedMeter meter;
  const auto run = meter.begin("Gannet board", at(0));
  REQUIRE(run);
  REQUIRE(meter.end(at(10)));
  CHECK(meter.figures(*run).totals.samples() == 0);
  CHECK(meter.check().ok);
}

TEST_CASE("a reading that comes after an end or a begin by hand belongs where its own time lies") {
  RecordedMeter meter;
  meter.record(evening_of({{5.0, 60}}));
  const auto ended = must(meter.begin("Gannet board", at(10), at(60)));
  CHECK(must(meter.end(at(62))) == ended);
  meter.record(evening_of({{5.0, 1}}, at(61)));  // measured before the end
  const auto next = must(meter.begin("Fulmar board", at(65), at(65)));
  meter.record(evening_of({{5.0, 1}}, at(64)));  // measured before the begin
  meter.record(evening_of({{5.0, 30}}, at(66)));
  CHECK(meter.figures(ended).totals.samples() == 51);
  CHECK(meter.figures(next).totals.samples() == 30);
  CHECK(must(meter.end(at(100))) == next);
  CHECK(meter.check().problems == std::vector<std::string>{});
}

TEST_CASE("damage of one run keeps no reading of another out, though it comes late") {
  const char* damage = GENERATE("DROP TRIGGER run_altered; UPDATE run SET note = 'another' WHERE id = 1",
                                "DROP TRIGGER run_word_removed; DELETE FROM run_word WHERE run = 1",
                                "DROP TRIGGER run_removed; DELETE FROM run WHERE id = 1");
  RecordedMeter meter;
  meter.record(evening_of({{5.0, 60}}));
  (void)must(meter.begin("Skua lamp", at(5), at(60)));
  const auto ended = must(meter.split(at(10), at(60)));
  CHECK(must(meter.end(at(62))) == ended);
  run_sql(meter.path(), "INSERT INTO run_word (run, place, value) VALUES (1, 0, 'adapter')");
  run_sql(meter.path(), damage);
  meter.record(evening_of({{5.0, 3}}, at(61)));
  CHECK(meter.stored() == 63);
  CHECK(meter.figures(ended).totals.samples() == 52);
  CHECK(meter.recorder().take_damage().size() == 1);
}

TEST_CASE("readings that do not come later than the last are left out and counted") {
  RecordedMeter meter;
  const auto readings = evening_of({{5.0, 10}});
  meter.record(readings);
  meter.record(readings);
  CHECK(meter.stored() == 10);
  CHECK(meter.recorder().out_of_order() == 10);
}

TEST_CASE("restarts anywhere, in batches of any size, give the same runs and figures as an evening without") {
  const unsigned seed = GENERATE(1U, 2U, 3U);
  CAPTURE(seed);
  std::mt19937 random(seed);
  const std::vector<Reading> night = evening_of(
      {{0.0, 300}, {1.2, 200}, {7.5, 90}, {5.0, 1500}, {24.0, 2500}, {5.0, 900}, {0.0, 500}, {8.0, 1500}, {0.0, 400}});
  RecordedMeter whole;
  whole.record(night, 1000);
  RecordedMeter restarted;
  for (std::size_t i = 0; i < night.size();) {
    const std::size_t size = std::min<std::size_t>(1 + random() % 700, night.size() - i);
    restarted.record(
        {night.begin() + static_cast<std::ptrdiff_t>(i), night.begin() + static_cast<std::ptrdiff_t>(i + size)},
        1 + random() % 100);
    i += size;
    restarted.restart();
  }
  const auto runs = whole.runs();
  REQUIRE(runs.size() == 2);
  REQUIRE(restarted.runs().size() == runs.size());
  for (const auto& run : runs) same_figures(whole.figures(run.id), restarted.figures(run.id));
  CHECK(restarted.stored() == night.size());
  CHECK(restarted.check().ok);
}

// A meter that speaks only on change: what it says is all there is between, so each run's energy is plain arithmetic.
TEST_CASE("readings that hold open and end automatic runs where the device came on and off, restarts or not") {
  RecorderSettings settings = bench_settings();
  settings.traits.on_change = true;
  settings.traits.gap_s = 3'600.0;
  const bool restarts = GENERATE(false, true);
  RecordedMeter meter(settings);
  const auto say = [&](int second, std::int64_t milliwatts) {
    meter.record({{at(second), power(milliwatts)}});
    if (restarts) meter.restart();
  };
  for (const auto& [second, milliwatts] : std::vector<std::pair<int, std::int64_t>>{
           {0, 0}, {60, 5'000}, {500, 5'200}, {1'000, 0}, {2'500, 8'000}, {3'500, 0}, {3'600, 0}, {4'000, 0}})
    say(second, milliwatts);
  const auto runs = meter.runs();
  REQUIRE(runs.size() == 2);
  CHECK(runs[0].begin == at(60));
  REQUIRE(runs[0].end);
  CHECK(to_seconds(at(1'000) - *runs[0].end).value == Approx(0.0).margin(0.001));
  CHECK(runs[0].samples == 2);
  CHECK(*meter.figures(runs[0].id).totals.energy_wh() == Approx((5.0 * 440.0 + 5.2 * 500.0) / 3'600.0));
  CHECK(runs[1].begin == at(2'500));
  REQUIRE(runs[1].end);
  CHECK(*meter.figures(runs[1].id).totals.energy_wh() == Approx(8.0 * 1'000.0 / 3'600.0));
  CHECK(runs[0].traits.on_change);
  CHECK(meter.check().ok);
}

TEST_CASE(
    "while a meter that speaks on change is silent, looks open and end its automatic runs, at the same instants") {
  RecorderSettings settings = bench_settings();
  settings.traits.on_change = true;
  settings.traits.gap_s = 3'600.0;
  RecordedMeter meter(settings);
  meter.record({{at(0), power(0)}, {at(60), power(5'000)}});
  CHECK(meter.runs().empty());
  meter.look(at(62));
  REQUIRE(meter.runs().size() == 1);
  CHECK(meter.runs()[0].begin == at(60));
  meter.record({{at(1'000), power(0)}});
  meter.look(at(1'290));
  CHECK_FALSE(meter.runs()[0].end);
  meter.restart();
  meter.look(at(1'310));
  REQUIRE(meter.runs()[0].end);
  CHECK(to_seconds(at(1'000) - *meter.runs()[0].end).value == Approx(0.0).margin(0.001));
  CHECK(*meter.figures(meter.runs()[0].id).totals.energy_wh() == Approx(5.0 * 940.0 / 3'600.0));
  // What is silent for longer than gap_s is not known.
  meter.record({{at(2'000), power(7'000)}});
  meter.look(at(2'010));
  REQUIRE(meter.runs().size() == 2);
  meter.look(at(9'000));
  CHECK_FALSE(meter.runs()[1].end);
  CHECK(meter.check().ok);
}

TEST_CASE("a run opened and ended by hand holds what was shown when it began and until it ended") {
  RecorderSettings settings = bench_settings();
  settings.traits.on_change = true;
  settings.traits.gap_s = 3'600.0;
  settings.auto_runs = false;
  RecordedMeter meter(settings);
  meter.record({{at(0), power(5'000)}});
  const storage::RunId first = must(meter.begin("Puffin mini", at(100)));
  meter.record({{at(400), power(6'000)}});
  const storage::RunId second = must(meter.split(at(600), at(600)));
  meter.restart();
  must(meter.end(at(1'000)));
  // Without a reading of its own in the second, all the same.
  CHECK(*meter.figures(first).totals.energy_wh() == Approx((5.0 * 300.0 + 6.0 * 200.0) / 3'600.0));
  CHECK(*meter.figures(second).totals.energy_wh() == Approx(6.0 * 400.0 / 3'600.0));
  CHECK(meter.check().ok);
}
