// Times the store against SQLite's own shell on the same readings, and counts the bytes either writes.
//
//   bench_storage [million readings of the long run, default 31.5; "tally" or "floor": that part alone]
//
// Data: made up, seeded. "Year": one reading a second in whole watts, a computer idle most of the time, 3 % of
// neighbours differ. "Hour": 1 kHz with noise in the last digits. Peer: `sqlite3 FILE ".import readings.csv"` into a
// table with a primary key on the time, WAL and synchronous NORMAL as here.
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <filesystem>
#include <fstream>
#include <map>
#include <optional>
#include <random>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "csv/csv_reader.hpp"
#include "figures/run_figures.hpp"
#include "figures/run_recorder.hpp"
#include "storage/store.hpp"

using namespace nightwatt;
using namespace nightwatt::storage;
using figures::run_figures;
using figures::RunFigures;

namespace {

constexpr std::int64_t begin_us = 1'767'225'600'000'000;  // 2026-01-01T00:00:00Z
constexpr UtcTime always_end{4'000'000'000'000'000'000};

class Stopwatch {
 public:
  [[nodiscard]] double seconds() const {
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - begin_).count();
  }

 private:
  std::chrono::steady_clock::time_point begin_ = std::chrono::steady_clock::now();
};

template <class T>
T must(Result<T> result) {
  if (result) return std::move(*result);
  std::fprintf(stderr, "%s\n", result.error().message.c_str());
  std::exit(1);
}
void must(const Result<void>& result) {
  if (result) return;
  std::fprintf(stderr, "%s\n", result.error().message.c_str());
  std::exit(1);
}

/// Readings one after the other, the same for the same seed.
class YearOfWatts {
 public:
  Reading next() {
    const std::uint32_t dice = static_cast<std::uint32_t>(random_()) % 10'000;
    if (dice < 150) watts_ = base_ + static_cast<std::int64_t>(random_() % 3) - 1;  // there ...
    if (dice >= 150 && dice < 300) watts_ = base_;                                  // ... and back
    if (dice == 9'999) base_ = random_() % 4 == 0 ? 26 + static_cast<std::int64_t>(random_() % 30) : 8;
    Reading reading;
    reading.time.us = begin_us + count_++ * 1'000'000;
    reading.values.set(Quantity::power, Decimal{watts_, 0});
    return reading;
  }

 private:
  std::mt19937 random_{20'260'101};
  std::int64_t count_ = 0, base_ = 8, watts_ = 8;
};

std::int64_t bytes_of(const std::string& path) {
  std::int64_t bytes = 0;
  for (const char* suffix : {"", "-wal"}) {
    struct stat file {};
    if (::stat((path + suffix).c_str(), &file) == 0) bytes += file.st_size;
  }
  return bytes;
}

/// What this process has asked the system to write, and what the system counts as going to the disk.
struct Written {
  double asked = 0.0, to_disk = 0.0;
};
Written written() {
  Written now;
  std::ifstream io("/proc/self/io");
  std::string name;
  double value = 0.0;
  while (io >> name >> value) {
    if (name == "wchar:") now.asked = value;
    if (name == "write_bytes:") now.to_disk = value;
  }
  return now;
}

template <class Source>
double write_readings(StoreWriter& writer, StreamId stream, std::int64_t count, Source&& source) {
  constexpr std::int64_t chunk = 4'096;
  const Stopwatch watch;
  std::vector<Reading> readings;
  for (std::int64_t done = 0; done < count;) {
    readings.clear();
    for (; done < count && static_cast<std::int64_t>(readings.size()) < chunk; ++done) readings.push_back(source());
    must(writer.begin());
    must(writer.apply(AppendReadings{stream, readings}));
    must(writer.commit());
  }
  return watch.seconds();
}

StreamId meter_stream(StoreWriter& writer) {
  must(writer.begin());
  const StreamId stream = must(writer.stream_for_meter("bench"));
  must(writer.commit());
  return stream;
}

/// The file as `import` reads it, its form found out first; the store apart.
double parse_csv(const std::string& path, std::int64_t count) {
  std::ifstream in(path, std::ios::binary);
  csv::FileOptions options;
  options.time = "1";
  options.power = "2";
  const Stopwatch watch;
  csv::CsvReader reader(
      path,
      [&](std::uint64_t offset, std::span<char> buffer) -> Result<std::size_t> {
        in.clear();
        in.seekg(static_cast<std::streamoff>(offset));
        in.read(buffer.data(), static_cast<std::streamsize>(buffer.size()));
        return static_cast<std::size_t>(in.gcount());
      },
      options);
  must(reader.find_form());
  std::vector<Reading> readings;
  std::int64_t read = 0;
  do {
    must(reader.next(readings, 4'096));
    read += static_cast<std::int64_t>(readings.size());
  } while (!readings.empty());
  if (read != count) std::printf("  only %lld readings of the CSV\n", static_cast<long long>(read));
  return watch.seconds();
}

void million_against_the_shell(const std::filesystem::path& folder) {
  constexpr std::int64_t count = 1'000'000;
  const std::string csv = (folder / "readings.csv").string();
  {
    std::ofstream out(csv);
    YearOfWatts year;
    for (std::int64_t i = 0; i < count; ++i) {
      const Reading reading = year.next();
      out << reading.time.us / 1'000'000 << ',' << reading.values.get(Quantity::power)->mantissa << '\n';
    }
  }
  const std::string peer = (folder / "peer.db").string();
  const std::string command = "sqlite3 '" + peer +
                              "' 'PRAGMA journal_mode=WAL' 'PRAGMA synchronous=NORMAL' "
                              "'CREATE TABLE r (time INTEGER PRIMARY KEY, power_w INTEGER)' '.mode csv' '.import \"" +
                              csv + "\" r' > /dev/null";
  const Stopwatch peer_watch;
  const bool peer_done = std::system(command.c_str()) == 0;
  const double peer_s = peer_watch.seconds();

  const std::string path = (folder / "million.db").string();
  double own_s = 0.0;
  {
    StoreWriter writer = must(StoreWriter::open(path, {}));
    const StreamId stream = meter_stream(writer);
    YearOfWatts year;
    own_s = write_readings(writer, stream, count, [&] { return year.next(); });
  }
  const std::int64_t own_bytes = bytes_of(path);
  std::printf(
      "A million readings written (the store: through its interface, readings made up on the way; the shell: .import "
      "of the CSV)\n");
  std::printf("  store          %7.3f s  %10lld bytes\n", own_s, static_cast<long long>(own_bytes));
  std::printf("  the CSV read   %7.3f s, which an import has to do before\n", parse_csv(csv, count));
  if (peer_done)
    std::printf("  sqlite3 shell  %7.3f s  %10lld bytes   the store's are %.4f of them\n", peer_s,
                static_cast<long long>(bytes_of(peer)),
                static_cast<double>(own_bytes) / static_cast<double>(bytes_of(peer)));
  else
    std::printf("  sqlite3 shell: could not be run\n");
}

/// As `import` does: readings and the figures of their run, in the same transactions.
void million_with_figures(const std::filesystem::path& folder) {
  constexpr std::int64_t count = 1'000'000;
  constexpr std::size_t chunk = 4'096;
  const std::string path = (folder / "figures.db").string();
  std::int64_t bytes = 0;
  const Stopwatch watch;
  {
    StoreWriter writer = must(StoreWriter::open(path, {}));
    must(writer.begin());
    NewRun run;
    run.stream = must(writer.new_import_stream());
    run.origin = RunOrigin::imported;
    run.begin.us = begin_us;
    run.traits.resolution_w = 1.0;
    figures::RunRecorder builder(must(writer.open_run(run)), {run.traits, run.shortest_segment_s});
    must(writer.commit());
    YearOfWatts year;
    std::vector<Reading> readings;
    for (std::int64_t done = 0; done < count;) {
      readings.clear();
      for (; done < count && readings.size() < chunk; ++done) readings.push_back(year.next());
      must(writer.begin());
      must(writer.apply(AppendReadings{run.stream, readings}));
      for (const Reading& reading : readings) builder.push(reading);
      must(builder.save(writer));
      must(writer.commit());
    }
    must(writer.begin());
    must(builder.finish(writer, *builder.last_pushed()));
    must(writer.apply(PublishImport{run.stream}));
    must(writer.commit());
  }
  const double seconds = watch.seconds();
  bytes = bytes_of(path);
  std::printf("  with figures   %7.3f s  %10lld bytes   (run segmented and summed on the way, store closed)\n", seconds,
              static_cast<long long>(bytes));
  const StoreReader reader = must(StoreReader::open(path));
  const Stopwatch asked;
  const RunFigures figures = must(run_figures(reader, 1));
  std::printf("  its figures    %7.2f ms: %zu segments, %.3f kWh\n", asked.seconds() * 1e3, figures.segments.size(),
              figures.totals.energy_wh().value_or(0.0) / 1e3);
}

void long_run(const std::filesystem::path& folder, std::int64_t count) {
  const std::string path = (folder / "year.db").string();
  StreamId stream = 0;
  double seconds = 0.0;
  {
    StoreWriter writer = must(StoreWriter::open(path, {}));
    stream = meter_stream(writer);
    YearOfWatts year;
    seconds = write_readings(writer, stream, count, [&] { return year.next(); });
  }
  std::printf("%.1f million readings at 1 Hz, whole watts, 3 %% of neighbours differ\n",
              static_cast<double>(count) / 1e6);
  std::printf(
      "  written        %7.2f million/s, %.4f bytes a reading   (a time-series server 0.82 million/s, 0.230 bytes: "
      "measured earlier on like data)\n",
      static_cast<double>(count) / seconds / 1e6, static_cast<double>(bytes_of(path)) / static_cast<double>(count));

  const StoreReader reader = must(StoreReader::open(path));
  const UtcTime from{begin_us + count / 2 * 1'000'000};
  const UtcTime to{from.us + 43'200'000'000};
  std::int64_t seen = 0;
  const Stopwatch window;
  must(reader.readings(stream, from, to, [&](const Reading&) {
    ++seen;
    return true;
  }));
  std::printf("  12 h window    %7.2f ms, %lld readings handed out\n", window.seconds() * 1e3,
              static_cast<long long>(seen));
  for (const char* temperature : {"first", "again"}) {
    const Stopwatch aggregates;
    const WindowAggregates all = must(reader.aggregates(stream, Quantity::power, UtcTime{0}, always_end));
    std::printf("  sums of all    %7.2f ms (%s): %lld readings, mean %.4f W, %.3f kWh\n", aggregates.seconds() * 1e3,
                temperature, static_cast<long long>(all.count), all.mean, all.energy_wh.value_or(0.0) / 1e3);
  }
  const Stopwatch open;
  { const StoreReader again = must(StoreReader::open(path)); }
  std::printf("  open           %7.2f ms\n", open.seconds() * 1e3);
}

void fast_hour(const std::filesystem::path& folder) {
  constexpr std::int64_t count = 3'600'000;
  const std::string path = (folder / "hour.db").string();
  std::optional<StoreWriter> writer = must(StoreWriter::open(path, {}));
  const StreamId stream = meter_stream(*writer);
  std::mt19937 random(2);
  std::normal_distribution<double> noise(0.0, 1.5);
  std::int64_t i = 0;
  const double seconds = write_readings(*writer, stream, count, [&] {
    Reading reading;
    reading.time.us = begin_us + i * 1'000;
    const double watts = 40.0 + 5.0 * std::sin(static_cast<double>(i++) / 40'000.0);
    reading.values.set(Quantity::power, Decimal{std::llround(watts * 100.0 + noise(random)), -2});
    return reading;
  });
  writer.reset();  // brings the log into the file
  std::printf(
      "An hour at 1 kHz, hundredths of a watt, noise of 1.5 hundredths (normal: %.2f bits a reading of entropy)\n",
      std::log2(1.5 * std::sqrt(2.0 * 3.14159265358979 * 2.71828182845905)));
  std::printf(
      "  written        %7.2f million/s (with making the noise), %.4f bytes a reading   (earlier prototype 1.19)\n",
      static_cast<double>(count) / seconds / 1e6, static_cast<double>(bytes_of(path)) / static_cast<double>(count));
}

/// Bits a symbol by its own frequency, and by its frequency behind the one before it (from counts: low where the counts
/// are few).
struct Entropy {
  double order_0 = 0.0, order_1 = 0.0;
};
Entropy entropy_of(const std::vector<std::int64_t>& symbols) {
  std::map<std::int64_t, double> alone;
  std::map<std::pair<std::int64_t, std::int64_t>, double> pairs;
  for (std::size_t i = 0; i < symbols.size(); ++i) {
    ++alone[symbols[i]];
    if (i > 0) ++pairs[{symbols[i - 1], symbols[i]}];
  }
  const auto total = static_cast<double>(symbols.size());
  Entropy entropy;
  for (const auto& [symbol, count] : alone) entropy.order_0 += count / total * std::log2(total / count);
  for (const auto& [pair, count] : pairs) entropy.order_1 += count / total * std::log2(alone[pair.first] / count);
  return entropy;
}

std::int64_t xz_bytes(const std::filesystem::path& folder, const std::vector<std::int64_t>& counts) {
  const std::string path = (folder / "column").string();
  {
    std::ofstream file(path, std::ios::binary);
    for (const std::int64_t count : counts) {
      const auto small = static_cast<std::int16_t>(count);
      file.write(reinterpret_cast<const char*>(&small), sizeof small);
    }
  }
  if (std::system(("xz -9 -k -f " + path).c_str()) != 0) return -1;
  return bytes_of(path + ".xz");
}

/// How near the floor: the same column by its entropy and by xz. All in bytes a reading.
void near_the_floor(const std::filesystem::path& folder) {
  std::printf("Noise about a level that drifts, on whole seconds: bytes a reading (seed 4)\n");
  std::printf("  noise, counts   store   differences: order 0, order 1   values: order 0   xz -9\n");
  for (const double sigma : {0.5, 1.5, 4.0, 16.0}) {
    constexpr std::size_t count = 1'000'000;
    std::mt19937 random(4);
    std::normal_distribution<double> noise(0.0, sigma);
    std::vector<std::int64_t> counts(count), differences(count, 0);
    for (std::size_t i = 0; i < count; ++i) {
      counts[i] = std::llround(2'500.0 + 5.0 * std::sin(static_cast<double>(i) / 40'000.0) + noise(random));
      if (i > 0) differences[i] = counts[i] - counts[i - 1];
    }
    const std::string path = (folder / ("noise-" + std::to_string(sigma) + ".db")).string();
    std::optional<StoreWriter> writer = must(StoreWriter::open(path, {}));
    must(writer->begin());
    const StreamId stream = must(writer->new_import_stream());
    must(writer->commit());
    std::size_t i = 0;
    write_readings(*writer, stream, static_cast<std::int64_t>(count), [&] {
      Reading reading;
      reading.time.us = begin_us + static_cast<std::int64_t>(i) * 1'000'000;
      reading.values.set(Quantity::power, Decimal{counts[i++], -2});
      return reading;
    });
    must(writer->begin());
    must(writer->apply(PublishImport{stream}));
    must(writer->commit());
    writer.reset();
    const Entropy of_differences = entropy_of(differences), of_values = entropy_of(counts);
    constexpr auto readings = static_cast<double>(count);
    std::printf("  %13.1f  %6.3f  %21.3f  %7.3f  %16.3f  %6.3f\n", sigma,
                static_cast<double>(bytes_of(path)) / readings, of_differences.order_0 / 8.0,
                of_differences.order_1 / 8.0, of_values.order_0 / 8.0,
                static_cast<double>(xz_bytes(folder, counts)) / readings);
  }
}

/// A reading a minute with noise that hardly compresses, ten years long, in 3 MB.
void years_at_the_limit(const std::filesystem::path& folder) {
  StoreSettings settings;
  settings.max_size_mb = 3.0;
  const std::string path = (folder / "limit.db").string();
  StoreWriter writer = must(StoreWriter::open(path, settings));
  const StreamId stream = meter_stream(writer);
  std::mt19937 random(5);
  constexpr std::int64_t a_day = 24 * 60, year = 365 * a_day;
  std::int64_t largest = 0;
  std::printf("A reading a minute at max_size_mb = 3: size and time of a query (seed 5)\n");
  for (std::int64_t minute = 0; minute < 10 * year; minute += a_day) {
    std::vector<Reading> readings;
    for (std::int64_t i = 0; i < a_day; ++i) {
      Reading reading;
      reading.time.us = begin_us + (minute + i) * 60'000'000;
      reading.values.set(Quantity::power, Decimal{500 + static_cast<std::int64_t>(random() % 600), -2});
      readings.push_back(reading);
    }
    must(writer.begin());
    must(writer.apply(AppendReadings{stream, readings}));
    must(writer.commit());
    largest = std::max(largest, store_bytes(path).value_or(0));
    for (bool more = true; more;) {
      must(writer.begin());
      more = must(writer.retain(readings.back().time));
      must(writer.commit());
    }
    const std::int64_t days = minute / a_day + 1;
    if (days != 365 && days != 3 * 365 && days != 10 * 365) continue;
    const StoreReader reader = must(StoreReader::open(path));
    const Stopwatch whole;
    const WindowAggregates all = must(reader.aggregates(stream, Quantity::power, UtcTime{0}, always_end));
    const double whole_s = whole.seconds();
    const Stopwatch window;
    (void)must(reader.aggregates(stream, Quantity::power, readings.back().time - Duration(43'200'000'000), always_end));
    std::printf("  %2d years: %.2f MB now, %.2f MB at most; all %lld readings %.2f ms, the last 12 h %.2f ms\n",
                static_cast<int>(days / 365), static_cast<double>(store_bytes(path).value_or(0)) / 1e6,
                static_cast<double>(largest) / 1e6, static_cast<long long>(all.count), whole_s * 1e3,
                window.seconds() * 1e3);
  }
}

void a_day_at_one_hertz(const std::filesystem::path& folder) {
  constexpr int commits = 20'000;  // a block closes within
  const std::string path = (folder / "day.db").string();
  StoreWriter writer = must(StoreWriter::open(path, {}));
  const StreamId stream = meter_stream(writer);
  YearOfWatts year;
  std::mt19937 random(3);
  const Written before = written();
  const std::clock_t cpu = std::clock();
  for (int i = 0; i < commits; ++i) {
    Reading reading = year.next();
    reading.time.us += static_cast<std::int64_t>(random() % 8) * 1'000;  // late by milliseconds
    must(writer.begin());
    must(writer.apply(AppendReadings{stream, {&reading, 1}}));
    must(writer.commit());
  }
  const Written after = written();
  const double cpu_us = static_cast<double>(std::clock() - cpu) * 1e6 / CLOCKS_PER_SEC / commits;
  const double per_day = 86'400.0 / commits / 1e6;
  std::printf("One reading a second, each committed (%d commits counted, as a day of 86400)\n", commits);
  std::printf(
      "  written        %7.2f MB a day (/proc/self/io wchar; write_bytes %.2f MB while nothing waits between)   "
      "(SQLite row a commit, "
      "4096-byte pages: 360 MB, measured earlier)\n",
      (after.asked - before.asked) * per_day, (after.to_disk - before.to_disk) * per_day);
  std::printf("  processor      %7.1f us a commit: %.4f %% of one core at one a second\n", cpu_us, cpu_us * 1e-4);
}

/// Processor time of a commit of so many readings each, in us.
double commit_us(StoreWriter& writer, StreamId stream, YearOfWatts& year, int commits, int readings) {
  std::vector<Reading> some(static_cast<std::size_t>(readings));
  const std::clock_t cpu = std::clock();
  for (int i = 0; i < commits; ++i) {
    for (Reading& reading : some) reading = year.next();
    must(writer.begin());
    must(writer.apply(AppendReadings{stream, some}));
    must(writer.commit());
  }
  return static_cast<double>(std::clock() - cpu) * 1e6 / CLOCKS_PER_SEC / commits;
}

double median(std::vector<double> values) {
  const auto middle = values.begin() + std::ssize(values) / 2;
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// What it costs that the tally counts the rows of the tail: two stores, one of them without its triggers, in turns.
void tally_of_the_tail(const std::filesystem::path& folder) {
  constexpr int rounds = 61;
  struct Load {
    const char* name;
    int commits, readings;
  };
  std::printf(
      "The tally's triggers on the tail: processor time a commit with and without, median of %d rounds in turns\n",
      rounds);
  for (const Load& load : {Load{"a reading a commit", 2'000, 1}, Load{"a minute of readings a commit", 300, 60},
                           Load{"4096 readings a commit, as import does", 16, 4'096}}) {
    const std::string with = (folder / "with.db").string(), without = (folder / "without.db").string();
    for (const std::string& path : {with, without})
      for (const char* suffix : {"", "-wal", "-shm", "-lock"}) std::filesystem::remove(path + suffix);
    StoreWriter counted = must(StoreWriter::open(with, {})), plain = must(StoreWriter::open(without, {}));
    for (StoreWriter* writer : {&counted, &plain}) (void)meter_stream(*writer);
    // A store of version 6 counts no rows of the tail, so nobody misses any.
    const std::string drop =
        "sqlite3 '" + without +
        "' 'DROP TRIGGER tail_added; DROP TRIGGER tail_removed; PRAGMA user_version = 6' > /dev/null";
    if (std::system(drop.c_str()) != 0) return;
    YearOfWatts year, same_year;
    std::vector<double> with_us, without_us, share;
    for (int round = 0; round < rounds; ++round) {
      with_us.push_back(commit_us(counted, 1, year, load.commits, load.readings));
      without_us.push_back(commit_us(plain, 1, same_year, load.commits, load.readings));
      share.push_back(with_us.back() / without_us.back());
    }
    std::printf("  %-40s %8.1f us with, %8.1f us without: %+.1f %%\n", load.name, median(with_us), median(without_us),
                100.0 * (median(share) - 1.0));
  }
}

}  // namespace

int main(int argc, char** argv) {
  const double millions = argc > 1 ? std::atof(argv[1]) : 31.5;
  std::string name = (std::filesystem::current_path() / "bench-storage-XXXXXX").string();
  if (::mkdtemp(name.data()) == nullptr) {
    std::fprintf(stderr, "cannot make a folder here\n");
    return 1;
  }
  const std::filesystem::path folder(name);
  const std::string_view only = argc > 1 ? argv[1] : "";
  if (only == "tally") tally_of_the_tail(folder);
  if (only == "floor") near_the_floor(folder);
  if (only == "tally" || only == "floor") {
    std::filesystem::remove_all(folder);
    return 0;
  }
  million_against_the_shell(folder);
  million_with_figures(folder);
  long_run(folder, static_cast<std::int64_t>(millions * 1e6));
  fast_hour(folder);
  near_the_floor(folder);
  years_at_the_limit(folder);
  a_day_at_one_hertz(folder);
  tally_of_the_tail(folder);
  std::filesystem::remove_all(folder);
  return 0;
}
