// `import` of a million readings beside the sqlite3 shell's own `.import` of the same file, and `summary last` as a
// whole process, on that store and on one of a year at one reading a second; `summary last --budget` of a night. Usage:
// bench_query [READINGS_OF_THE_LONG_STORE]
#include <fcntl.h>
#include <spawn.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <random>
#include <string>
#include <vector>

extern char** environ;

namespace {

constexpr std::int64_t year_readings = 31'536'000;
constexpr std::int64_t begin_s = 1'735'689'600;  // 2025-01-01T00:00:00Z
constexpr std::int64_t night_s = 12 * 3600;
constexpr unsigned seed = 1;

/// What a program took; below 0 where it failed.
struct Took {
  double wall_s = -1.0;
  double processor_s = -1.0;  ///< its own and the kernel's for it, which a busy machine hardly changes
};

/// Runs a program with its output thrown away.
Took run(const std::vector<std::string>& words) {
  std::vector<char*> argv;
  for (const std::string& word : words) argv.push_back(const_cast<char*>(word.c_str()));
  argv.push_back(nullptr);
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
  const auto began = std::chrono::steady_clock::now();
  pid_t process = 0;
  int status = -1;
  rusage used{};
  if (posix_spawnp(&process, argv[0], &actions, nullptr, argv.data(), environ) == 0) wait4(process, &status, 0, &used);
  const double passed_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
  posix_spawn_file_actions_destroy(&actions);
  const auto seconds = [](const timeval& time) {
    return static_cast<double>(time.tv_sec) + static_cast<double>(time.tv_usec) * 1e-6;
  };
  return status == 0 ? Took{passed_s, seconds(used.ru_utime) + seconds(used.ru_stime)} : Took{};
}

/// Whole watts of a computer: idle most of the time, an hour of work now and then, a few per cent of neighbours differ.
void write_file(const std::string& path, std::int64_t readings) {
  std::FILE* file = std::fopen(path.c_str(), "w");
  if (file == nullptr) std::exit(1);
  std::fputs("time,power_w\n", file);
  std::mt19937 random(seed);
  int level = 38;
  for (std::int64_t i = 0; i < readings; ++i) {
    if (i % 3600 == 0) level = random() % 12 == 0 ? 90 + static_cast<int>(random() % 30) : 38;
    const int ripple = random() % 50 == 0 ? 1 : 0;
    std::fprintf(file, "%lld,%d\n", static_cast<long long>(begin_s + i), level + ripple);
  }
  std::fclose(file);
}

double megabytes(const std::string& path) {
  double bytes = 0.0;
  for (const char* end : {"", "-wal"})
    if (std::filesystem::exists(path + end)) bytes += static_cast<double>(std::filesystem::file_size(path + end));
  return bytes / 1e6;
}

void print_import(const char* who, std::int64_t readings, const Took& took, double size_mb) {
  std::printf("  %-23s %8.2f s, processor %7.2f s  %6.2f M/s  %9.2f MB\n", who, took.wall_s, took.processor_s,
              static_cast<double>(readings) / took.wall_s / 1e6, size_mb);
}

double median_ms(std::vector<double> seconds) {
  std::sort(seconds.begin(), seconds.end());
  return seconds[seconds.size() / 2] * 1e3;
}

void print_medians(const char* who, const std::vector<std::string>& words, int times) {
  std::vector<double> walls, processors;
  for (int i = 0; i < times; ++i) {
    const Took took = run(words);
    walls.push_back(took.wall_s);
    processors.push_back(took.processor_s);
  }
  std::printf("  %-23s %8.2f ms, processor %7.2f ms  (whole process, medians of %d)\n", who, median_ms(walls),
              median_ms(processors), times);
}

void import_and_ask(const std::string& folder, const std::string& tool, std::int64_t readings) {
  const std::string csv = folder + "/readings.csv", store = folder + "/store.db", peer = folder + "/peer.db";
  write_file(csv, readings);
  std::printf("%lld readings, %.1f MB of CSV (seed %u)\n", static_cast<long long>(readings), megabytes(csv), seed);
  const Took ours = run({tool, "--store", store, "import", csv, "--device", "Skua tower", "--resolution", "1"});
  print_import("nightwatt import", readings, ours, megabytes(store));
  const Took theirs = run({"sqlite3", peer, "-cmd", "PRAGMA journal_mode=WAL", "-cmd", "PRAGMA synchronous=NORMAL",
                           "-cmd", "CREATE TABLE r(time INTEGER PRIMARY KEY, power_w REAL)", "-cmd",
                           ".import --csv --skip 1 " + csv + " r", "SELECT 1"});
  print_import("sqlite3 .import", readings, theirs, megabytes(peer));
  print_medians("summary last", {tool, "--store", store, "summary", "last"}, 21);
  print_medians("sqlite3 avg, min, max", {"sqlite3", peer, "SELECT avg(power_w), min(power_w), max(power_w) FROM r"},
                5);
  print_medians("/bin/true, the least", {"/bin/true"}, 21);
  for (const std::string& path :
       {csv, store, store + "-wal", store + "-shm", store + "-lock", peer, peer + "-wal", peer + "-shm"})
    std::filesystem::remove(path);
}

/// A night on a whole-watt display with a counter of 1 Wh: adapter alone, start, idle for most of it, an hour of load.
void write_night(const std::string& path) {
  std::FILE* file = std::fopen(path.c_str(), "w");
  if (file == nullptr) std::exit(1);
  std::fputs("time,power_w,energy_wh\n", file);
  std::mt19937 random(seed);
  std::normal_distribution<double> noise(0.0, 0.4);
  double counted_wh = 0.0;
  for (std::int64_t i = 0; i < night_s; ++i) {
    const double level_w = i < 900 ? 1.3 : i >= 7200 && i < 10'800 ? 63.2 : 24.6;
    counted_wh += level_w / 3600.0;
    std::fprintf(file, "%lld,%.0f,%.0f\n", static_cast<long long>(begin_s + i), level_w + noise(random),
                 std::floor(counted_wh));
  }
  std::fclose(file);
}

/// The budget and the verdict of stability come from the stretches that are kept and from raw readings; the peer reads
/// the same hours of idle and gives mean and deviation alone.
void ask_for_budgets(const std::string& folder, const std::string& tool) {
  const std::string csv = folder + "/night.csv", store = folder + "/night.db", peer = folder + "/night-peer.db";
  write_night(csv);
  if (run({tool, "--store", store, "import", csv, "--device", "Gannet board", "--resolution", "1", "--accuracy",
           "1% + 0.5W"})
              .wall_s < 0.0 ||
      run({"sqlite3", peer, "-cmd", "CREATE TABLE r(time INTEGER PRIMARY KEY, power_w REAL, energy_wh REAL)", "-cmd",
           ".import --csv --skip 1 " + csv + " r", "SELECT 1"})
              .wall_s < 0.0) {
    std::printf("a night could not be imported\n");
    return;
  }
  std::printf("a night of %lld readings and a counter (seed %u)\n", static_cast<long long>(night_s), seed);
  print_medians("summary last", {tool, "--store", store, "summary", "last"}, 21);
  print_medians("summary last --budget", {tool, "--store", store, "summary", "last", "--budget"}, 21);
  print_medians("sqlite3 mean, deviation",
                {"sqlite3", peer,
                 "SELECT avg(power_w), sqrt(avg(power_w * power_w) - avg(power_w) * avg(power_w)), "
                 "max(energy_wh) - min(energy_wh) FROM r WHERE time >= " +
                     std::to_string(begin_s + 10'800)},
                21);
}

}  // namespace

int main(int argc, char** argv) {
  const std::string tool = std::string(NIGHTWATT_BIN_DIR) + "/nightwatt";
  const std::int64_t long_readings = argc > 1 ? std::strtoll(argv[1], nullptr, 10) : year_readings;
  std::string folder = (std::filesystem::temp_directory_path() / "nightwatt-bench-XXXXXX").string();
  if (::mkdtemp(folder.data()) == nullptr) return 1;
  ask_for_budgets(folder, tool);
  import_and_ask(folder, tool, 1'000'000);
  import_and_ask(folder, tool, long_readings);
  std::filesystem::remove_all(folder);
  return 0;
}
