// A meter that reports only when something changed, against the truth of a night that an independent generator made and
// against the same display asked once a second.
#include <algorithm>
#include <cmath>
#include <map>

#include "figures/run_figures.hpp"
#include "figures/run_recorder.hpp"
#include "figures/shown_power.hpp"
#include "figures/store_proof.hpp"
#include "tests/storage/helpers.hpp"

using namespace nightwatt;
using namespace nightwatt::figures;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;
using figures::run_figures;
using figures::RunFigures;
using figures::shown_or_left;
using figures::ShownPower;

namespace {

constexpr double gap_s = 3'600.0;

/// A night and what a display of whole watts made of it, at the beat of its own.
struct Night {
  double energy_wh = 0.0;          ///< of the device, not of the display
  std::vector<Reading> full;       ///< all that was shown, once a second
  std::vector<Reading> on_change;  ///< what the meter sends that speaks when it shows something else
  std::vector<double> levels_w;    ///< as the device held them
};

/// The display is looked at by the meter's own clock, somewhere within each second, and says the power of that instant.
Night made_night(std::uint32_t seed) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> part(0.0, 1.0);
  std::normal_distribution<double> noise(0.0, 1.0);
  Night night;
  double second = 0.0;
  std::optional<std::int64_t> shown;
  const auto hold = [&](int seconds, double level_w, double noise_w) {
    night.levels_w.push_back(level_w);
    for (int i = 0; i < seconds; ++i, second += 1.0) {
      const double power_w = std::max(0.0, level_w + noise_w * noise(random));
      night.energy_wh += power_w / 3'600.0;
      const auto now = static_cast<std::int64_t>(std::lround(power_w));
      const auto at_us = night_us + static_cast<std::int64_t>((second + 0.2 * part(random)) * 1e6);
      night.full.push_back(power_reading(at_us, now));
      if (shown != now) night.on_change.push_back(night.full.back());
      shown = now;
    }
  };
  hold(900, 3.1, 0.02);     // standby: one count for a quarter of an hour
  hold(3'000, 20.4, 0.25);  // idle between two counts
  hold(1'500, 87.6, 0.9);   // load: a count of its own nearly every second
  hold(4'500, 20.4, 0.25);
  hold(600, 61.0, 0.05);  // a load that does not stir
  hold(2'400, 20.4, 0.25);
  // The last thing said is when it ends.
  night.on_change.push_back(power_reading(night.full.back().time.us + 1, *shown));
  return night;
}

NewRun new_run(StreamId stream, bool on_change) {
  NewRun run;
  run.stream = stream;
  run.device = "Gannet board";
  run.begin.us = night_us;
  run.traits.resolution_w = 1.0;
  run.traits.on_change = on_change;
  if (on_change) run.traits.gap_s = gap_s;
  return run;
}

RunId record(StoreWriter& writer, const std::vector<Reading>& readings, bool on_change,
             std::optional<UtcTime> end = std::nullopt) {
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter(on_change ? "change" : "full"));
  const RunId run = must(writer.open_run(new_run(stream, on_change)));
  RunRecorder builder = must(RunRecorder::resume(writer.reader(), run));
  must(writer.apply(AppendReadings{stream, readings}));
  for (const Reading& reading : readings) builder.push(reading);
  must(builder.finish(writer, end.value_or(readings.back().time)));
  must(writer.commit());
  return run;
}

StoreWriter new_store(const Folder& folder) {
  return must(StoreWriter::open(folder.file(), {}));
}

double energy_of(const RunFigures& figures) {
  return figures.totals.energy_wh().value_or(0.0);
}

bool same_figures(const RunFigures& a, const RunFigures& b) {
  if (energy_of(a) != energy_of(b) || a.totals.gap_s() != b.totals.gap_s() || a.segments.size() != b.segments.size())
    return false;
  for (std::size_t i = 0; i < a.segments.size(); ++i)
    if (a.segments[i].begin != b.segments[i].begin || a.segments[i].level_w != b.segments[i].level_w ||
        a.segments[i].uncertainty_w != b.segments[i].uncertainty_w ||
        a.segments[i].energy_wh != b.segments[i].energy_wh)
      return false;
  return true;
}

}  // namespace

TEST_CASE("whole watts sent only on change give a night's energy within 1 %, and its levels within their ±") {
  for (const std::uint32_t seed : {1U, 2U, 3U}) {
    CAPTURE(seed);
    const Night night = made_night(seed);
    REQUIRE(night.on_change.size() * 3 < night.full.size() * 2);
    const Folder folder;
    StoreWriter writer = new_store(folder);
    const RunFigures held = must(run_figures(writer.reader(), record(writer, night.on_change, true)));
    const RunFigures full = must(run_figures(writer.reader(), record(writer, night.full, false)));
    CHECK(energy_of(held) == Approx(night.energy_wh).epsilon(0.01));
    CHECK(held.totals.gap_s() == 0.0);
    CHECK(held.totals.samples() == static_cast<std::int64_t>(night.on_change.size()));
    // Every instant in one segment, and their energies are the run's.
    double energy_wh = 0.0;
    for (const Segment& segment : held.segments) energy_wh += segment.energy_wh.value_or(0.0);
    CHECK(energy_wh == Approx(energy_of(held)).epsilon(0.001));
    // The same segments as of all that was shown, kind by kind.
    REQUIRE(held.segments.size() == full.segments.size());
    for (std::size_t i = 0; i < held.segments.size(); ++i) {
      CAPTURE(i);
      const Segment &a = held.segments[i], &b = full.segments[i];
      CHECK(a.kind == b.kind);
      CHECK(std::abs(to_seconds(a.begin - b.begin).value) <= 3.0);
      REQUIRE(a.level_w.has_value() == b.level_w.has_value());
      if (!a.level_w) continue;
      REQUIRE(a.uncertainty_w.has_value());
      CHECK(*a.level_w == Approx(*b.level_w).margin(0.05));
      const double truth_w = *std::min_element(night.levels_w.begin(), night.levels_w.end(), [&](double x, double y) {
        return std::abs(x - *a.level_w) < std::abs(y - *a.level_w);
      });
      CAPTURE(*a.level_w, *a.uncertainty_w, truth_w);
      CHECK(std::abs(*a.level_w - truth_w) <= *a.uncertainty_w);
    }
  }
}

TEST_CASE("held readings give the same figures recorded at once, with restarts, and made anew") {
  const Night night = made_night(4);
  const Folder folder;
  StoreWriter writer = new_store(folder);
  const RunId at_once = record(writer, night.on_change, true);
  const RunFigures whole = must(run_figures(writer.reader(), at_once));
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("again"));
  const RunId run = must(writer.open_run(new_run(stream, true)));
  std::size_t done = 0;
  for (const std::size_t until : {std::size_t{1}, std::size_t{7}, std::size_t{900}, night.on_change.size()}) {
    RunRecorder builder = must(RunRecorder::resume(writer.reader(), run));
    const auto part = std::span(night.on_change).subspan(done, until - done);
    must(writer.apply(AppendReadings{stream, part}));
    for (const Reading& reading : part) builder.push(reading);
    must(builder.save(writer));
    done = until;
  }
  RunRecorder last = must(RunRecorder::resume(writer.reader(), run));
  must(last.finish(writer, night.on_change.back().time));
  must(writer.commit());
  CHECK(same_figures(must(run_figures(writer.reader(), run)), whole));
  must(writer.begin());
  must(resegment(writer, run));
  must(writer.commit());
  CHECK(same_figures(must(run_figures(writer.reader(), run)), whole));
  CHECK(must(writer.reader().run(run)).traits.on_change);
  CHECK(must(writer.reader().run(run)).traits.gap_s == gap_s);
  const StoreCheck check = must(writer.reader().check(figures::prove_run));
  CAPTURE(check.problems);
  CHECK(check.ok);
}

TEST_CASE("two parts of a run whose meter was silent at the cut hold its reading between them") {
  const Folder folder;
  StoreWriter writer = new_store(folder);
  const auto at = [](double seconds) { return UtcTime{night_us + static_cast<std::int64_t>(seconds * 1e6)}; };
  const RunId run =
      record(writer, {power_reading(at(0).us, 50), power_reading(at(1'000).us, 30), power_reading(at(3'000).us, 20)},
             true, at(3'600));
  const RunFigures whole = must(run_figures(writer.reader(), run));
  // By hand: 50 W x 1000 s + 30 W x 2000 s + 20 W x 600 s.
  CHECK(energy_of(whole) == Approx((50.0 * 1'000.0 + 30.0 * 2'000.0 + 20.0 * 600.0) / 3'600.0));
  RunInfo first = must(writer.reader().run(run)), second = first;
  first.end = at(1'800);
  second.begin = at(1'800);
  RunRecorder head = must(RunRecorder::over(writer.reader(), first));
  RunRecorder write_buffer = must(RunRecorder::over(writer.reader(), second));
  must(writer.begin());
  must(writer.apply(ClearRunState{run}));
  must(head.finish(writer, *first.end));
  NewRun fresh = new_run(first.stream, true);
  fresh.begin = second.begin;
  const RunId id = must(writer.open_run(fresh));
  write_buffer.set_run(id);
  must(write_buffer.finish(writer, *second.end));
  must(writer.commit());
  CHECK(energy_of(must(run_figures(writer.reader(), run))) == Approx((50.0 * 1'000.0 + 30.0 * 800.0) / 3'600.0));
  CHECK(energy_of(must(run_figures(writer.reader(), id))) == Approx((30.0 * 1'200.0 + 20.0 * 600.0) / 3'600.0));
  CHECK(must(writer.reader().check(figures::prove_run)).ok);
}

TEST_CASE("a silence longer than gap_s is a gap, and one as long is held, also of a meter that always reports") {
  const Folder folder;
  StoreWriter writer = new_store(folder);
  const auto at = [](double seconds) { return night_us + static_cast<std::int64_t>(seconds * 1e6); };
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("gaps"));
  NewRun fresh = new_run(stream, true);
  fresh.traits.gap_s = 120.0;
  const RunId run = must(writer.open_run(fresh));
  RunRecorder builder = must(RunRecorder::resume(writer.reader(), run));
  const std::vector<Reading> readings = {power_reading(at(0), 40), power_reading(at(120), 41),
                                         power_reading(at(241), 40), power_reading(at(300), 42)};
  must(writer.apply(AppendReadings{stream, readings}));
  for (const Reading& reading : readings) builder.push(reading);
  // The last reading is held to an end within gap_s of it.
  must(builder.finish(writer, UtcTime{at(400)}));
  must(writer.commit());
  const RunFigures figures = must(run_figures(writer.reader(), run));
  CHECK(figures.totals.gap_s() == Approx(121.0));
  CHECK(energy_of(figures) == Approx((40.0 * 120.0 + 40.0 * 59.0 + 42.0 * 100.0) / 3'600.0));
  CHECK(std::count_if(figures.segments.begin(), figures.segments.end(),
                      [](const Segment& segment) { return segment.kind == SegmentKind::gap; }) == 1);

  RunTotals patient(Reporting{false, 60.0}), usual;
  for (RunTotals* totals : {&patient, &usual})
    for (const double second : {0.0, 1.0, 2.0, 3.0, 43.0, 44.0}) totals->push(power_reading(at(second), 40));
  CHECK(patient.gap_s() == 0.0);
  CHECK(usual.gap_s() == 40.0);
}

TEST_CASE(
    "what a meter showed that reports on change is the same power when its readings gave way to minutes and hours") {
  for (const bool slow : {false, true}) {
    CAPTURE(slow);
    const Folder folder;
    StoreSettings settings;
    settings.keep_raw_days = 1.0;
    StoreWriter writer = must(StoreWriter::open(folder.file(), settings));
    // Work that changes each second, then a level that stands still for as long as one holds, and now and then longer.
    std::mt19937 random(slow ? 8 : 7);
    std::vector<Reading> readings;
    std::map<std::int64_t, double> truth_ws, truth_s;  // by the hour
    std::int64_t at_us = night_us + 123'456;
    std::int64_t shown_w = 0;
    const auto say = [&](std::int64_t watts, double seconds) {
      readings.push_back(power_reading(at_us, watts));
      shown_w = watts;
      const std::int64_t next_us = at_us + static_cast<std::int64_t>(seconds * 1e6);
      if (seconds <= gap_s)
        for (std::int64_t from = at_us; from < next_us;) {
          const std::int64_t hour = from / 3'600'000'000, to = std::min(next_us, (hour + 1) * 3'600'000'000);
          truth_ws[hour] += static_cast<double>(watts) * static_cast<double>(to - from) * 1e-6;
          truth_s[hour] += static_cast<double>(to - from) * 1e-6;
          from = to;
        }
      at_us = next_us;
    };
    while (at_us < night_us + 5 * 86'400'000'000LL) {
      for (int i = 0; i < (slow ? 3 : 900); ++i) say(80 + static_cast<std::int64_t>(random() % 20), 1.0);
      say(20, 3'000.0);
      say(3, random() % 8 == 0 ? 5'000.0 : 2'000.0);
    }
    readings.push_back(power_reading(at_us, 3));
    const RunId run = record(writer, readings, true);
    const RunFigures whole = must(run_figures(writer.reader(), run));
    const auto retain = [&] {
      for (bool more = true; more;) {
        must(writer.begin());
        more = must(writer.retain(UtcTime{at_us}));
        must(writer.commit());
      }
    };
    // What is still in the tail becomes a block; then two days of record lie behind the run, further off than is held.
    at_us += 2 * static_cast<std::int64_t>(gap_s * 1e6);
    retain();
    readings.clear();
    for (int i = 0; i < 50; ++i, at_us += 3'500'000'000) readings.push_back(power_reading(at_us, 3));
    must(writer.begin());
    must(writer.apply(AppendReadings{must(writer.stream_for_meter("change")), readings}));
    must(writer.commit());
    retain();
    const RunInfo info = must(writer.reader().run(run));
    REQUIRE_FALSE(must(writer.reader().raw_is_whole(info.stream, info.begin, *info.end)));
    std::map<std::int64_t, double> left_ws, left_s;
    double lowest_w = 1e9, highest_w = 0.0;
    must(shown_or_left(writer.reader(), info, info.begin, *info.end, [&](const ShownPower& shown) {
      const std::int64_t hour = shown.begin.us / 3'600'000'000;
      left_s[hour] += to_seconds(shown.shown).value;
      left_ws[hour] += shown.mean_w * to_seconds(shown.shown).value;
      lowest_w = std::min(lowest_w, shown.lowest_w);
      highest_w = std::max(highest_w, shown.highest_w);
    }));
    CHECK(lowest_w == 3.0);
    CHECK(highest_w == 99.0);
    // To the second, by which what is still raw is looked at.
    for (const auto& [hour, energy_ws] : truth_ws) {
      CAPTURE(hour);
      CHECK(left_s[hour] == Approx(truth_s[hour]).margin(2.0));
      CHECK(left_ws[hour] == Approx(energy_ws).margin(200.0));
    }
    CHECK(energy_of(must(run_figures(writer.reader(), run))) == energy_of(whole));
    CHECK(must(writer.reader().check(figures::prove_run)).ok);
  }
}
