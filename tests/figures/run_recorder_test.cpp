// One path for live, imported and replayed readings: the figures are the same whichever way a run came about.
#include <algorithm>
#include <cmath>

#include "figures/recompute.hpp"
#include "figures/run_figures.hpp"
#include "figures/run_recorder.hpp"
#include "figures/store_proof.hpp"
#include "tests/run_sql.hpp"
#include "tests/storage/helpers.hpp"

using namespace nightwatt;
using namespace nightwatt::figures;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;
using figures::run_figures;
using figures::RunFigures;

namespace {

/// A made-up night of a small board: adapter alone, start-up, idle, load, idle, off.
std::vector<Reading> board_night(std::uint32_t seed) {
  std::mt19937 random(seed);
  std::vector<Reading> readings;
  const auto hold = [&](int seconds, std::int64_t hundredths, std::int64_t noise) {
    for (int i = 0; i < seconds; ++i)
      readings.push_back(power_reading(
          night_us + static_cast<std::int64_t>(readings.size()) * 1'000'000,
          hundredths + static_cast<std::int64_t>(random() % static_cast<std::uint32_t>(2 * noise + 1)) - noise, -2));
  };
  hold(300, 60, 1);
  hold(40, 420, 90);
  hold(2'000, 180, 2);
  hold(900, 520, 4);
  hold(2'500, 181, 2);
  hold(600, 0, 0);
  return readings;
}

NewRun new_run(StreamId stream) {
  NewRun run;
  run.stream = stream;
  run.device = "Gannet board";
  run.begin.us = night_us;
  run.traits.resolution_w = 0.01;
  return run;
}

/// Readings and figures written as the service does: in small transactions, the state only now and then.
RunId record(StoreWriter& writer, const std::vector<Reading>& readings, std::uint32_t seed,
             std::optional<UtcTime> end) {
  std::mt19937 random(seed);
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench " + std::to_string(seed)));
  const RunId run = must(writer.open_run(new_run(stream)));
  must(writer.commit());
  std::optional<RunRecorder> builder = must(RunRecorder::resume(writer.reader(), run));
  for (std::size_t done = 0; done < readings.size();) {
    const std::size_t size = std::min<std::size_t>(readings.size() - done, 1 + random() % 200);
    const std::span<const Reading> batch = std::span(readings).subspan(done, size);
    must(writer.begin());
    must(writer.apply(AppendReadings{stream, batch}));
    for (const Reading& reading : batch) builder->push(reading);
    if (random() % (seed % 2 == 0 ? 2 : 8) == 0) must(builder->save(writer));
    must(writer.commit());
    done += size;
    // As after a kill: what was in memory is gone.
    if (random() % 10 == 0) builder = must(RunRecorder::resume(writer.reader(), run));
  }
  if (end) {
    must(writer.begin());
    must(builder->finish(writer, *end));
    must(writer.commit());
  }
  return run;
}

/// `edges_wh`: what a segment may have had of its neighbours'; nothing where the same program made both.
void require_same(const RunFigures& a, const RunFigures& b, double edges_wh = 0.0) {
  REQUIRE(a.totals.samples() == b.totals.samples());
  REQUIRE(a.totals.energy_wh() == b.totals.energy_wh());
  REQUIRE(a.info.samples == b.info.samples);
  REQUIRE(a.segments.size() == b.segments.size());
  for (std::size_t i = 0; i < a.segments.size(); ++i) {
    INFO("segment " << i);
    REQUIRE(a.segments[i].kind == b.segments[i].kind);
    REQUIRE(a.segments[i].begin == b.segments[i].begin);
    REQUIRE(a.segments[i].end == b.segments[i].end);
    REQUIRE(a.segments[i].level_w == b.segments[i].level_w);
    REQUIRE(a.segments[i].uncertainty_w == b.segments[i].uncertainty_w);
    REQUIRE(a.segments[i].energy_wh.has_value() == b.segments[i].energy_wh.has_value());
    if (a.segments[i].energy_wh) REQUIRE(std::abs(*a.segments[i].energy_wh - *b.segments[i].energy_wh) <= edges_wh);
  }
}

void require_clean(const StoreReader& store) {
  const StoreCheck check = must(store.check(figures::prove_run));
  for (const std::string& problem : check.problems) UNSCOPED_INFO(problem);
  REQUIRE(check.ok);
}

/// What an update would leave that keeps a run's figures in another form than this program reads.
void change_by_hand(const std::string& path, const std::string& sql) {
  REQUIRE(nightwatt::test::run_sql(path, sql) > 0);
}

}  // namespace

TEST_CASE("a run recorded in any chunks, with restarts in between, has the figures of one written in one go") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = board_night(1);
  const UtcTime end = readings.back().time;
  must(writer.begin());
  const StreamId stream = must(writer.new_import_stream());
  must(writer.apply(AppendReadings{stream, readings}));
  const RunId whole = must(writer.open_run(new_run(stream)));
  RunRecorder builder(whole, segmenter_settings(must(writer.reader().run(whole))));
  for (const Reading& reading : readings) builder.push(reading);
  must(builder.finish(writer, end));
  must(writer.apply(PublishImport{stream}));
  must(writer.commit());
  const RunFigures expected = must(run_figures(writer.reader(), whole));
  REQUIRE(expected.segments.size() >= 5);
  for (const std::uint32_t seed : {2U, 3U, 4U, 5U, 20U, 22U}) {
    INFO("seed " << seed);
    require_same(must(run_figures(writer.reader(), record(writer, readings, seed, end))), expected);
  }
  require_clean(writer.reader());
}

TEST_CASE("the figures of an open run are those of its readings so far, for every reader at any moment") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  std::vector<Reading> readings = board_night(6);
  readings.resize(3'500);
  const RunId run = record(writer, readings, 6, std::nullopt);
  const StoreReader reader = must(StoreReader::open(folder.file()));
  const RunFigures open = must(run_figures(reader, run));
  REQUIRE(open.info.samples == 3'500);
  REQUIRE(open.totals.samples() == 3'500);
  REQUIRE_FALSE(open.segments.empty());
  REQUIRE(open.segments.back().open);
  REQUIRE(open.segments.back().end == readings.back().time);
  RunRecorder replayed = must(RunRecorder::over(reader, must(reader.run(run))));
  REQUIRE(replayed.totals().energy_wh() == open.totals.energy_wh());
  require_clean(reader);
}

TEST_CASE("a run that ends before the last reading is as if the later readings had not been pushed") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = board_night(7);
  for (const std::size_t last : {std::size_t{5'740}, std::size_t{2'000}}) {
    const std::vector<Reading> cut(readings.begin(), readings.begin() + static_cast<std::ptrdiff_t>(last + 1));
    const auto seed = static_cast<std::uint32_t>(last);
    const RunFigures early = must(run_figures(writer.reader(), record(writer, readings, seed, readings[last].time)));
    const RunFigures plain = must(run_figures(writer.reader(), record(writer, cut, seed + 1, readings[last].time)));
    require_same(early, plain);
    REQUIRE(early.info.samples == static_cast<std::int64_t>(last + 1));
  }
  require_clean(writer.reader());
}

TEST_CASE("segmenting a run anew gives what it had, and is refused where its readings were given up") {
  Folder folder;
  StoreSettings settings;
  settings.keep_raw_days = 0.0;
  StoreWriter writer = must(StoreWriter::open(folder.file(), settings));
  const std::vector<Reading> readings = board_night(8);
  const RunId run = record(writer, readings, 8, readings.back().time);
  const RunFigures before = must(run_figures(writer.reader(), run));
  must(writer.begin());
  must(resegment(writer, run));
  must(writer.commit());
  require_same(must(run_figures(writer.reader(), run)), before);

  const UtcTime later{readings.back().time.us + 400'000'000'000};
  for (bool more = true; more;) {
    must(writer.begin());
    more = must(writer.retain(later));
    must(writer.commit());
  }
  must(writer.begin());
  const Result<void> refused = resegment(writer, run);
  REQUIRE_FALSE(refused);
  REQUIRE(refused.error().kind == ErrorKind::negative);
  writer.rollback();
  require_same(must(run_figures(writer.reader(), run)), before);  // segments and figures stay for ever
  require_clean(writer.reader());
}

TEST_CASE("figures are told without the sketches, and are the same as with them") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = board_night(3);
  const bool open = GENERATE(true, false);
  const RunId run = record(writer, readings, 4, open ? std::nullopt : std::optional(readings.back().time));
  const RunFigures light = must(run_figures(writer.reader(), run));
  const RunFigures whole = must(run_figures(writer.reader(), run, Sketches::all));
  require_same(light, whole);
  REQUIRE(light.regimes.size() == whole.regimes.size());
  std::size_t left_out = 0;
  for (std::size_t i = 0; i < whole.regimes.size(); ++i) {
    CHECK_FALSE(whole.regimes[i].without_sketch.has_value());
    CHECK(light.regimes[i].digest() == whole.regimes[i].digest());
    CHECK(light.segments[i].settled_w == whole.segments[i].settled_w);
    CHECK(light.segments[i].mean_w == whole.segments[i].mean_w);
    if (light.regimes[i].without_sketch) ++left_out;
  }
  if (!open) CHECK(left_out >= 4);  // an open one may still change its mind about all of them
}

TEST_CASE("a level whose figure was made for another display step is made anew from its sketch") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = board_night(3);
  const RunId run = record(writer, readings, 4, readings.back().time);
  const RunFigures before = must(run_figures(writer.reader(), run));
  change_by_hand(folder.file(), "UPDATE run_state SET step_w = 0.5, seal = NULL");
  const RunFigures coarse = must(run_figures(writer.reader(), run));
  REQUIRE(coarse.segments.size() == before.segments.size());
  for (std::size_t i = 0; i < before.segments.size(); ++i) {
    INFO("segment " << i);
    REQUIRE(coarse.segments[i].level_w.has_value() == before.segments[i].level_w.has_value());
    if (before.segments[i].level_w) CHECK(*coarse.segments[i].uncertainty_w > *before.segments[i].uncertainty_w);
  }
}

// A service of before sketches lay apart knows no table of theirs, and may go on writing for a while after another
// program has brought its store up to date.
TEST_CASE("sketches that an older program left behind are no hindrance when its run goes on") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = board_night(3);
  const RunId whole = record(writer, readings, 6, readings.back().time);
  const RunFigures expected = must(run_figures(writer.reader(), whole));
  const RunId run = record(writer, readings, 4, std::nullopt);
  change_by_hand(
      folder.file(),
      "INSERT INTO sketch (run, place, bytes, crc) SELECT 2, place, bytes, crc FROM sketch WHERE run = 1 UNION ALL "
      "SELECT 2, place + 7, bytes, crc FROM sketch WHERE run = 1");
  RunRecorder builder = must(RunRecorder::resume(writer.reader(), run));
  must(writer.begin());
  must(builder.finish(writer, readings.back().time));
  must(writer.commit());
  require_same(must(run_figures(writer.reader(), run)), expected);
  require_same(must(run_figures(writer.reader(), run, Sketches::all)), expected);
  require_clean(writer.reader());
}

// tests/data/store-version-2.db: made by this program when version 2 was the newest; must open for ever.
TEST_CASE("a run of a store of version 2 has the figures that its readings give today") {
  Folder folder;
  std::filesystem::copy_file(std::string(NIGHTWATT_TEST_DATA) + "/store-version-2.db", folder.file());
  const RunFigures before = must(run_figures(must(StoreReader::open(folder.file())), 1));
  REQUIRE(before.segments.size() == 3);
  REQUIRE(before.segments[1].settled_w.has_value());
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  require_same(must(run_figures(writer.reader(), 1)), before);
  require_clean(writer.reader());
  must(writer.begin());
  must(resegment(writer, 1));
  must(writer.commit());
  // That program gave half a reading's time beside an edge the mean of both sides: 50 W for half a second.
  require_same(must(run_figures(writer.reader(), 1)), before, 50.0 * 0.5 / 3600.0);
  CHECK(must(run_figures(writer.reader(), 1)).regimes[0].without_sketch.has_value());
  require_clean(writer.reader());
}

TEST_CASE("figures that an older program kept are renewed, and nothing else of the run changes") {
  Folder folder;
  std::filesystem::copy_file(std::string(NIGHTWATT_TEST_DATA) + "/store-version-2.db", folder.file());
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const RunFigures before = must(run_figures(writer.reader(), 1, Sketches::all));
  REQUIRE(has_old_figures(writer.reader(), 1));
  must(writer.begin());
  must(recompute_figures(writer, 1));
  must(writer.commit());
  CHECK_FALSE(has_old_figures(writer.reader(), 1));
  require_same(must(run_figures(writer.reader(), 1)), before);
  const RunFigures after = must(run_figures(writer.reader(), 1, Sketches::all));
  REQUIRE(after.regimes.size() == before.regimes.size());
  for (std::size_t i = 0; i < after.regimes.size(); ++i) {
    REQUIRE(after.regimes[i].figure.has_value());
    CHECK(after.regimes[i].figure->algorithm_version == figure_algorithm_version);
    Regime but_for_figure = after.regimes[i];
    but_for_figure.figure = before.regimes[i].figure;
    CHECK(but_for_figure == before.regimes[i]);
  }
  CHECK(must(run_figures(writer.reader(), 1)).regimes[0].without_sketch.has_value());
  require_clean(writer.reader());
}

TEST_CASE("a run whose display's step was known only later ends with all figures made for it") {
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  must(writer.begin());
  const StreamId stream = must(writer.new_import_stream());
  NewRun run = new_run(stream);
  run.traits.resolution_w.reset();
  const RunId id = must(writer.open_run(run));
  RunRecorder builder(id, segmenter_settings(must(writer.reader().run(id))));
  std::vector<Reading> readings;
  std::mt19937 random(5);
  // Whole watts for hours, then tenths: the digits shown tell another step than at first.
  const auto hold = [&](int seconds, std::int64_t tenths, std::int64_t unit) {
    for (int i = 0; i < seconds; ++i)
      readings.push_back(power_reading(night_us + static_cast<std::int64_t>(readings.size()) * 1'000'000,
                                       tenths + static_cast<std::int64_t>(random() % 2) * unit, -1));
  };
  for (int level = 0; level < 160; ++level)
    hold(60 + static_cast<int>(random() % 60), 50 * (1 + level % 7) + 100 * (level % 3), 10);
  hold(3'000, 123, 1);
  must(writer.apply(AppendReadings{stream, readings}));
  for (const Reading& reading : readings) builder.push(reading);
  must(builder.finish(writer, readings.back().time));
  must(writer.commit());
  CHECK_FALSE(has_old_figures(writer.reader(), id));
  const RunState state = must(writer.reader().run_state(id, Sketches::where_needed));
  CHECK(state.learnt.step_w == Approx(0.1));
  CHECK(state.regimes.size() > 100);
  for (const Regime& regime : state.regimes) {
    CHECK(regime.without_sketch.has_value());
    if (regime.figure) CHECK(regime.figure->step_w == state.learnt.step_w);
  }
}

TEST_CASE("figures kept in a form that cannot be read are made anew from the readings, and the run goes on") {
  const std::string change =
      GENERATE("UPDATE run_state SET segmenter = totals", "UPDATE run_state SET totals = segmenter");
  INFO(change);
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = board_night(9);
  const std::span<const Reading> early = std::span(readings).first(5'000);
  const RunId whole = record(writer, readings, 11, readings.back().time);
  const RunFigures expected = must(run_figures(writer.reader(), whole));
  must(writer.begin());
  must(writer.apply(ForgetRun{whole}));
  must(writer.commit());
  const RunId run = record(writer, {early.begin(), early.end()}, 12, std::nullopt);
  const RunFigures before = must(run_figures(writer.reader(), run));
  change_by_hand(folder.file(), change);
  require_same(must(run_figures(writer.reader(), run)), before);

  RunRecorder builder = must(RunRecorder::resume(writer.reader(), run));
  must(writer.begin());
  const std::span<const Reading> rest = std::span(readings).subspan(5'000);
  must(writer.apply(AppendReadings{must(writer.stream_for_meter("bench 12")), rest}));
  for (const Reading& reading : rest) builder.push(reading);
  must(builder.save(writer));
  must(builder.finish(writer, readings.back().time));
  must(writer.commit());
  require_same(must(run_figures(writer.reader(), run)), expected);
  require_clean(writer.reader());
}

TEST_CASE("a finished run whose figures cannot be read still has them while its readings are there") {
  const std::string change = GENERATE("UPDATE run_state SET totals = x'00'", "UPDATE stretch SET bytes = x'00'");
  INFO(change);
  Folder folder;
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  const std::vector<Reading> readings = board_night(10);
  const RunId run = record(writer, readings, 10, readings.back().time);
  const RunFigures before = must(run_figures(writer.reader(), run));
  change_by_hand(folder.file(), change);
  require_same(must(run_figures(writer.reader(), run)), before);
}
