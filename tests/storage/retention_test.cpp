#include <algorithm>
#include <cmath>
#include <filesystem>
#include <map>

#include "figures/store_proof.hpp"
#include "helpers.hpp"
#include "rollup.hpp"
#include "tests/run_sql.hpp"

using namespace nightwatt;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;

namespace {

constexpr UtcTime always_end{4'000'000'000'000'000'000};

StoreWriter store_keeping_raw(const Folder& folder, double days) {
  StoreSettings settings;
  settings.keep_raw_days = days;
  return must(StoreWriter::open(folder.file(), settings));
}

/// In a transaction of its own.
StreamId stored(StoreWriter& writer, const std::string& meter, std::span<const Reading> readings) {
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter(meter));
  must(writer.apply(AppendReadings{stream, readings}));
  must(writer.commit());
  return stream;
}

std::size_t count_raw(const StoreReader& store, StreamId stream) {
  std::size_t count = 0;
  must(store.readings(stream, UtcTime{0}, always_end, [&](const Reading&) {
    ++count;
    return true;
  }));
  return count;
}

void retain_all(StoreWriter& writer, UtcTime now) {
  for (int calls = 0; calls < 10'000; ++calls) {
    must(writer.begin());
    const bool more = must(writer.retain(now));
    must(writer.commit());
    if (!more) return;
  }
  FAIL("retention never ends");
}

void require_clean(const StoreReader& store) {
  const StoreCheck check = must(store.check(figures::prove_run));
  for (const std::string& problem : check.problems) UNSCOPED_INFO(problem);
  REQUIRE(check.ok);
}

}  // namespace

TEST_CASE(
    "readings past their age give way to minutes and hours that tell the same counts, extremes, means and energy") {
  Folder folder;
  StoreWriter writer = store_keeping_raw(folder, 1.0);
  const std::vector<Reading> readings = quiet_night(200'000, 8);  // 2.3 days
  const StreamId stream = stored(writer, "bench", readings);
  const WindowAggregates before = must(writer.reader().aggregates(stream, Quantity::power, UtcTime{0}, always_end));
  retain_all(writer, readings.back().time);

  const std::size_t raw = count_raw(writer.reader(), stream);
  REQUIRE(raw >= 86'400);
  REQUIRE(raw <= 86'400 + 16'384);
  REQUIRE_FALSE(must(writer.reader().raw_is_whole(stream, UtcTime{0}, always_end)));
  REQUIRE(must(writer.reader().raw_is_whole(stream, readings[readings.size() - raw].time, always_end)));
  const WindowAggregates after = must(writer.reader().aggregates(stream, Quantity::power, UtcTime{0}, always_end));
  REQUIRE(after.count == before.count);
  REQUIRE(after.mean == before.mean);
  REQUIRE(after.energy_wh == before.energy_wh);

  for (const auto& [step, step_s] : {std::pair{RollupStep::minute, minute_s}, std::pair{RollupStep::hour, hour_s}}) {
    struct Plain {
      std::int64_t count = 0;
      double min = 1e300, max = -1e300, sum = 0.0;
    };
    std::map<std::int64_t, Plain> plain, rolled;
    for (std::size_t i = 0; i < readings.size() - raw; ++i) {
      const double watts = static_cast<double>(readings[i].values.get(Quantity::power)->mantissa);
      Plain& p = plain[readings[i].time.us / (step_s * 1'000'000)];
      ++p.count;
      p.min = std::min(p.min, watts);
      p.max = std::max(p.max, watts);
      p.sum += watts;
    }
    double energy_wh = 0.0;
    must(writer.reader().rollups(stream, Quantity::power, step, UtcTime{0}, always_end,
                                 [&, width_s = step_s](const Rollup& rollup) {
                                   Plain& p = rolled[rollup.begin.us / (width_s * 1'000'000)];
                                   p.count += rollup.count;
                                   p.min = std::min(p.min, rollup.min);
                                   p.max = std::max(p.max, rollup.max);
                                   p.sum += rollup.mean * static_cast<double>(rollup.count);
                                   energy_wh += rollup.energy_wh.value_or(0.0);
                                   return true;
                                 }));
    REQUIRE(rolled.size() == plain.size());
    for (const auto& [index, p] : plain) {
      REQUIRE(rolled[index].count == p.count);
      REQUIRE(rolled[index].min == p.min);
      REQUIRE(rolled[index].max == p.max);
      REQUIRE(rolled[index].sum == Approx(p.sum).epsilon(1e-12));
    }
    // The trapezoids between two blocks are in the sums, not in the buckets: at most 26 W for a second each.
    const WindowAggregates gone =
        must(writer.reader().aggregates(stream, Quantity::power, UtcTime{0}, readings[readings.size() - raw - 1].time));
    REQUIRE(energy_wh == Approx(*gone.energy_wh).margin(26.0 / 3600.0 * 10));
  }
  require_clean(writer.reader());
}

TEST_CASE("a jump of the clock by years makes no reading old: only what was recorded since does") {
  Folder folder;
  StoreWriter writer = store_keeping_raw(folder, 400.0);
  const std::vector<Reading> three_days = quiet_night(260'000, 21);
  const StreamId stream = stored(writer, "bench", three_days);
  // The machine starts two years ahead; it is set right five seconds later, and the record goes on.
  const std::int64_t two_years_us = 2 * 365 * 86'400'000'000LL;
  const std::vector<Reading> ahead = quiet_night(50'000, 22, three_days.back().time.us + two_years_us);
  for (const std::size_t count : {std::size_t{5}, ahead.size() - 5}) {
    must(writer.begin());
    must(writer.apply(AppendReadings{stream, std::span(ahead).subspan(count == 5 ? 0 : 5, count)}));
    must(writer.commit());
    retain_all(writer, ahead[count].time);
    REQUIRE(must(writer.reader().raw_is_whole(stream, UtcTime{0}, always_end)));
  }
  REQUIRE(count_raw(writer.reader(), stream) == three_days.size() + ahead.size());
  require_clean(writer.reader());
}

TEST_CASE("readings age by the record of the meter that has recorded most, nights with days between included") {
  Folder folder;
  StoreWriter writer = store_keeping_raw(folder, 2.0);
  must(writer.begin());
  const StreamId gone = must(writer.stream_for_meter("gone"));
  const StreamId bench = must(writer.stream_for_meter("bench"));
  must(writer.apply(AppendReadings{gone, quiet_night(20'000, 23)}));
  constexpr std::int64_t day_us = 86'400'000'000;
  for (int night = 0; night < 5; ++night)  // 10 hours of each day
    must(writer.apply(AppendReadings{bench, quiet_night(36'000, 24, night_us + night * day_us)}));
  must(writer.commit());
  retain_all(writer, UtcTime{night_us + 5 * day_us});
  CHECK(count_raw(writer.reader(), gone) == 0);
  const std::size_t left = count_raw(writer.reader(), bench);
  CHECK(left >= 2 * 36'000);
  CHECK(left <= 2 * 36'000 + 2 * 16'384);
  require_clean(writer.reader());
}

TEST_CASE("what a pinned or imported run holds keeps its readings for ever") {
  Folder folder;
  StoreWriter writer = store_keeping_raw(folder, 0.01);
  const std::vector<Reading> readings = quiet_night(100'000, 9);
  must(writer.begin());
  NewRun run;
  run.stream = must(writer.stream_for_meter("bench"));
  must(writer.apply(AppendReadings{run.stream, readings}));
  run.begin = readings[40'000].time;
  run.pinned = true;
  const RunId pinned = must(writer.open_run(run));
  must(writer.apply(CloseRun{pinned, readings[50'000].time}));
  NewRun imported;
  imported.stream = must(writer.new_import_stream());
  imported.origin = RunOrigin::imported;
  imported.begin = readings.front().time;
  must(writer.apply(AppendReadings{imported.stream, readings}));
  const RunId import = must(writer.open_run(imported));
  must(writer.apply(CloseRun{import, readings.back().time}));
  must(writer.apply(PublishImport{imported.stream}));
  must(writer.commit());
  retain_all(writer, UtcTime{readings.back().time.us + 86'400'000'000LL * 400});

  REQUIRE(count_raw(writer.reader(), imported.stream) == readings.size());
  REQUIRE(must(writer.reader().raw_is_whole(run.stream, readings[40'000].time, readings[50'000].time)));
  REQUIRE(count_raw(writer.reader(), run.stream) < 40'000);
  require_clean(writer.reader());
}

TEST_CASE("a damaged row stops no thinning out, and readings that may be pinned stay") {
  Folder folder;
  StoreSettings settings;
  settings.keep_raw_days = 1.0;
  const std::vector<Reading> readings = quiet_night(200'000, 8);
  {
    StoreWriter writer = must(StoreWriter::open(folder.file(), settings));
    must(writer.begin());
    NewRun run;
    run.stream = must(writer.stream_for_meter("bench"));
    must(writer.apply(AppendReadings{run.stream, readings}));
    run.begin = readings[20'000].time;
    run.pinned = true;
    must(writer.apply(SetRunSpan{must(writer.open_run(run)), run.begin, readings[25'000].time}));
    must(writer.apply(AppendReadings{must(writer.stream_for_meter("shelf")), std::span(readings).first(100)}));
    must(writer.commit());
  }
  nightwatt::test::run_sql(folder.file(), "DROP TRIGGER block_altered; DROP TRIGGER run_altered;");
  nightwatt::test::run_sql(folder.file(),
                           "UPDATE block SET count = count + 1 WHERE data = 1; UPDATE run SET pinned = 0; UPDATE tail "
                           "SET bytes = x'00' WHERE stream = 2");
  StoreWriter writer = must(StoreWriter::open(folder.file(), settings));
  retain_all(writer, readings.back().time);
  must(writer.begin());
  CHECK_FALSE(must(writer.reader().raw_is_whole(1, readings[40'000].time, readings[50'000].time)));
  CHECK(must(writer.reader().raw_is_whole(1, readings[20'000].time, readings[25'000].time)));
}

TEST_CASE("a size limit is kept and the file shrinks") {
  Folder folder;
  StoreWriter big = must(StoreWriter::open(folder.file(), {}));
  must(big.begin());
  const StreamId stream = must(big.stream_for_meter("bench"));
  std::mt19937 random(10);
  std::vector<Reading> readings;
  for (std::size_t i = 0; i < 400'000; ++i)
    readings.push_back(power_reading(night_us + static_cast<std::int64_t>(i) * 1'000'000,
                                     static_cast<std::int64_t>(random() % 30'000), -2));
  must(big.apply(AppendReadings{stream, readings}));
  must(big.commit());
  const std::int64_t before = must(big.reader().status()).bytes;
  StoreSettings settings;
  settings.max_size_mb = 0.3;
  StoreWriter writer = must(StoreWriter::open(folder.file(), settings));
  retain_all(writer, readings.back().time);
  {
    StoreWriter last = must(StoreWriter::open(folder.file(), settings));  // its close brings the log into the file
  }
  const auto size = static_cast<std::int64_t>(std::filesystem::file_size(folder.file()));
  CAPTURE(before, size);
  REQUIRE(size < 300'000 + 600 * 512);
  REQUIRE(must(writer.reader().aggregates(stream, Quantity::power, UtcTime{0}, always_end)).count == 400'000);
  // What went is told as a whole, in the order in which it goes.
  settings.max_size_mb = 0.05;
  StoreWriter smaller = must(StoreWriter::open(folder.file(), settings));
  retain_all(smaller, readings.back().time);
  const std::string told = must(smaller.reader().value("thinned")).value_or("");
  CAPTURE(told);
  const std::size_t raw = told.find("readings gave way"), minutes = told.find("the oldest minutes went");
  REQUIRE(minutes != std::string::npos);
  REQUIRE(raw < minutes);
  require_clean(writer.reader());
}

TEST_CASE(
    "a store that lives ten years at its limit of size never passes it, and its sums stay those of all readings") {
  Folder folder;
  StoreSettings settings;
  settings.max_size_mb = 1.5;
  StoreWriter writer = must(StoreWriter::open(folder.file(), settings));
  std::mt19937 random(12);
  constexpr std::size_t batch = 2'048;
  constexpr std::int64_t minute_us = 60'000'000, ten_years = 10LL * 365 * 24 * 60, every = 3;  // minutes
  std::int64_t count = 0, largest = 0;
  double sum = 0.0;
  std::map<std::int64_t, std::pair<std::int64_t, std::int64_t>> by_hour;  // count and sum in hundredths
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  must(writer.commit());
  UtcTime pinned_from{night_us + 30'000 * minute_us}, pinned_to{night_us + 45'000 * minute_us};
  for (std::int64_t minute = 0; minute < ten_years; minute += every * static_cast<std::int64_t>(batch)) {
    std::vector<Reading> readings;
    for (std::size_t i = 0; i < batch; ++i) {
      const auto hundredths = static_cast<std::int64_t>(500 + random() % 60);
      const std::int64_t time_us = night_us + (minute + every * static_cast<std::int64_t>(i)) * minute_us;
      readings.push_back(power_reading(time_us, hundredths, -2));
      auto& hour = by_hour[time_us / (hour_s * 1'000'000)];
      ++hour.first;
      hour.second += hundredths;
      sum += static_cast<double>(hundredths) / 100.0;
      ++count;
    }
    must(writer.begin());
    must(writer.apply(AppendReadings{stream, readings}));
    if (readings.front().time <= pinned_to && pinned_to < readings.back().time) {
      NewRun run;
      run.stream = stream;
      run.begin = pinned_from;
      run.pinned = true;
      must(writer.apply(CloseRun{must(writer.open_run(run)), pinned_to}));
    }
    must(writer.commit());
    largest = std::max(largest, store_bytes(folder.file()).value());
    retain_all(writer, readings.back().time);
  }
  CAPTURE(largest);
  CHECK(largest <= 1'500'000 + static_cast<std::int64_t>(batch) * 2);
  CHECK(must(writer.reader().raw_is_whole(stream, pinned_from, pinned_to)));
  const WindowAggregates all = must(writer.reader().aggregates(stream, Quantity::power, UtcTime{0}, always_end));
  CHECK(all.count == count);
  CHECK(all.sum == Approx(sum).epsilon(1e-9));
  std::map<std::int64_t, std::pair<std::int64_t, double>> rolled;
  must(writer.reader().rollups(stream, Quantity::power, RollupStep::hour, UtcTime{0}, always_end,
                               [&](const Rollup& rollup) {
                                 auto& hour = rolled[rollup.begin.us / (hour_s * 1'000'000)];
                                 hour.first += rollup.count;
                                 hour.second += rollup.mean * static_cast<double>(rollup.count);
                                 return true;
                               }));
  REQUIRE(rolled.size() > 10'000);
  std::size_t whole = 0;
  for (const auto& [hour, told] : rolled) {
    if (told.first != by_hour[hour].first) continue;  // shared with a block that still has its readings
    ++whole;
    CHECK(told.second == Approx(static_cast<double>(by_hour[hour].second) / 100.0).epsilon(1e-9));
  }
  CHECK(whole + 1'000 > rolled.size());
  CHECK(must(writer.reader().value("thinned")).value_or("").find("gave way") != std::string::npos);
  require_clean(writer.reader());
}
