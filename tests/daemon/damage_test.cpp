// Stores that were damaged under the service or before it: recording goes on, and what happened is said.
#include <unistd.h>

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <random>

#include "daemon/store_pipeline.hpp"
#include "figures/store_proof.hpp"
#include "storage/quarantine.hpp"
#include "tests/daemon/store_support.hpp"
#include "tests/run_sql.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using namespace nightwatt::test;

namespace {

namespace fs = std::filesystem;

UtcTime at(int seconds) {
  return evening + seconds * Duration(1'000'000);
}

/// The store side of a service with one meter, which may be stopped and started.
struct Bench {
  explicit Bench(bool auto_runs = true) {
    settings = bench_settings();
    settings.auto_runs = auto_runs;
  }
  Result<StorePipeline::Opened> try_start() {
    pipeline.emplace(path, storage::StoreSettings{}, queue, state, clock, log.sink());
    return pipeline->open({{0, settings}});
  }
  void start() { must(try_start()); }
  void stop() {
    REQUIRE(pipeline->close(at(0)));
    pipeline.reset();
  }
  void record(const std::vector<Reading>& readings) {
    for (std::size_t i = 0; i < readings.size(); ++i) {
      REQUIRE(queue.push(QueuedReading{0, readings[i]}));
      if (i % 5'000 == 4'999 || i + 1 == readings.size()) REQUIRE(pipeline->work() == StorePipeline::Outcome::stored);
    }
  }
  Result<storage::RunId> ask(RunRequest request, UtcTime now) {
    std::optional<Result<storage::RunId>> answer;
    const auto command = std::make_shared<RunCommand>(std::move(request), now, [&](auto result) { answer = result; });
    REQUIRE(queue.push(QueueItem(command)));
    REQUIRE(pipeline->work() == StorePipeline::Outcome::stored);
    REQUIRE(answer.has_value());
    return *answer;
  }
  Result<storage::RunId> begin(const std::string& device, UtcTime now) {
    BeginRequest request;
    request.device = device;
    return ask(request, now);
  }
  [[nodiscard]] storage::StoreReader reader() const { return must(storage::StoreReader::open(path)); }
  [[nodiscard]] std::size_t stored() const {
    const auto store = reader();
    std::size_t count = 0;
    must(store.readings(**store.stream_of_meter("bench"), UtcTime{0}, UtcTime{INT64_MAX}, [&](const Reading&) {
      ++count;
      return true;
    }));
    return count;
  }
  [[nodiscard]] int events(storage::EventKind kind) const {
    int count = 0;
    for (const storage::Event& event : must(reader().events(UtcTime{0}, UtcTime{INT64_MAX})))
      count += event.kind == kind;
    return count;
  }
  [[nodiscard]] std::vector<std::string> quarantine() const { return storage::quarantined_stores(path); }

  TempFolder folder;
  std::string path = folder.file("nightwatt.db");
  RecorderSettings settings;
  JumpingClock clock;
  Log log;
  ReadingQueue queue{clock};
  PipelineState state;
  std::optional<StorePipeline> pipeline;
};

std::string bytes_of(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

/// Everything in the one file, as after a clean stop and a checkpoint.
std::string closed_store(Bench& bench, int seconds) {
  bench.start();
  REQUIRE(bench.begin("Gannet board", at(0)));
  bench.record(evening_of({{25.0, seconds}}));
  bench.stop();
  run_sql(bench.path, "PRAGMA wal_checkpoint(TRUNCATE)");
  return bytes_of(bench.path);
}

void put_store(const Bench& bench, std::string_view bytes) {
  for (const std::string& old : bench.quarantine()) fs::remove(old);
  for (const char* suffix : {"", "-wal", "-shm"}) fs::remove(bench.path + suffix);
  std::ofstream(bench.path, std::ios::binary) << bytes;
}

/// The service records into a sound store, and the damaged one lies beside it under its name.
void require_recording_elsewhere(Bench& bench, int first_second) {
  bench.record(evening_of({{25.0, 60}}, at(first_second)));
  CHECK(bench.stored() == 60);
  CHECK(bench.quarantine().size() == 1);
  CHECK(bench.events(storage::EventKind::store_damaged) == 1);
  CHECK(bench.state.damages >= 1);
  CHECK(bench.state.damage.get().find(".damaged-20260105T2") != std::string::npos);
  CHECK(must(bench.reader().check(figures::prove_run)).ok);
  bench.stop();
}

}  // namespace

TEST_CASE("a store cut short at any length is set aside, and the service records into a new one") {
  Bench bench;
  const std::string good = closed_store(bench, 3'000);
  constexpr unsigned seed = 7;
  std::mt19937 random(seed);
  for (int round = 0; round < 30; ++round) {
    const std::size_t length =
        round < 3 ? 50 + static_cast<std::size_t>(round) * 300 : 1 + random() % (good.size() - 1);
    CAPTURE(seed, round, length, good.size());
    put_store(bench, good.substr(0, length));
    bench.start();
    require_recording_elsewhere(bench, 4'000);
    CHECK(bytes_of(bench.quarantine().front()).substr(0, 16) == good.substr(0, 16));
  }
  CHECK(bench.log.count("set aside as") == 30);
}

TEST_CASE("a store whose first page is damaged is set aside, and a file that never was a store is left alone") {
  Bench bench;
  std::string bad = closed_store(bench, 600);
  for (std::size_t i = 0; i < 100; ++i) bad[i] = static_cast<char>(0xAA);
  put_store(bench, bad);
  bench.start();
  require_recording_elsewhere(bench, 4'000);

  const std::string text = "time,power_w\n" + std::string(5'000, '1');
  put_store(bench, text);
  CHECK_FALSE(bench.try_start());
  CHECK(bytes_of(bench.path) == text);
  CHECK(bench.quarantine().empty());
  fs::remove(bench.path);
  run_sql(bench.path, "CREATE TABLE songs (title TEXT)");
  CHECK_FALSE(bench.try_start());
  CHECK(bench.quarantine().empty());
}

TEST_CASE("torn sectors never keep the service from recording") {
  Bench bench;
  const std::string good = closed_store(bench, 20'000);
  constexpr unsigned seed = 8;
  std::mt19937 random(seed);
  int aside = 0;
  for (int round = 0; round < 60; ++round) {
    CAPTURE(seed, round);
    std::string bad = good;
    const std::size_t sector = random() % (good.size() / 512);
    for (std::size_t i = 0; i < 512; ++i) bad[sector * 512 + i] = static_cast<char>(random());
    put_store(bench, bad);
    bench.start();
    bench.record(evening_of({{25.0, 60}}, at(30'000)));
    const auto store = bench.reader();
    CHECK(must(store.last_reading(**store.stream_of_meter("bench")))->time == at(30'059));
    aside += static_cast<int>(bench.quarantine().size());
    bench.stop();
  }
  CHECK(aside > 0);
}

TEST_CASE("a run whose state and readings are damaged ends there, and its device goes on in a run of the same name") {
  Bench bench;
  bench.start();
  const auto first = bench.begin("Gannet board", at(0));
  REQUIRE(first);
  bench.record(evening_of({{25.0, 20'000}}));
  bench.stop();
  run_sql(bench.path, "UPDATE run_state SET segmenter = x'00010203'");
  run_sql(bench.path, "UPDATE block_data SET bytes = substr(bytes, 1, 100)");
  bench.start();
  bench.record(evening_of({{25.0, 300}}, at(20'100)));
  CHECK(bench.quarantine().empty());
  CHECK(bench.log.count("cannot be gone on with") == 1);
  CHECK(bench.events(storage::EventKind::store_damaged) == 1);
  const auto runs = must(bench.reader().runs());
  REQUIRE(runs.size() == 2);
  CHECK(runs[0].end.has_value());
  CHECK(runs[1].device == "Gannet board");
  CHECK_FALSE(runs[1].end.has_value());
  CHECK(runs[1].samples == 300);
  CHECK(must(figures::run_figures(bench.reader(), runs[1].id)).totals.samples() == 300);
  CHECK_FALSE(figures::run_figures(bench.reader(), runs[0].id));
}

TEST_CASE("a run's row that is damaged keeps no other run from going on") {
  Bench bench;
  bench.start();
  REQUIRE(bench.begin("Skua lamp", at(0)));
  bench.record(evening_of({{25.0, 100}}));
  REQUIRE(bench.ask(EndRequest{}, at(100)));
  REQUIRE(bench.begin("Gannet board", at(101)));
  bench.record(evening_of({{25.0, 100}}, at(101)));
  bench.stop();
  run_sql(bench.path, "DROP TRIGGER run_altered");
  run_sql(bench.path, "UPDATE run SET note = 'x' WHERE id = 1");
  bench.start();
  bench.record(evening_of({{25.0, 100}}, at(300)));
  CHECK(bench.quarantine().empty());
  CHECK(bench.events(storage::EventKind::store_damaged) == 1);
  CHECK(must(bench.reader().run(2)).samples == 200);
  CHECK_FALSE(bench.reader().run(1));
  CHECK_FALSE(bench.reader().runs());
}

TEST_CASE("a log that is cut short under the service is noticed, told, and recording goes on in another store") {
  Bench bench;
  bench.start();
  REQUIRE(bench.begin("Gannet board", at(0)));
  bench.record(evening_of({{25.0, 600}}));
  const std::string log = bench.path + "-wal";
  REQUIRE(fs::file_size(log) > 10'000);
  fs::resize_file(log, GENERATE(std::uintmax_t{0}, std::uintmax_t{5'000}));
  bench.record(evening_of({{25.0, 60}}, at(700)));
  CHECK(bench.quarantine().size() == 1);
  CHECK(bench.log.count("log short") == 1);
  CHECK(bench.stored() == 60);
  CHECK(bench.events(storage::EventKind::store_damaged) == 1);
  bench.stop();
  CHECK(must(bench.reader().check(figures::prove_run)).ok);
}

TEST_CASE("a service that comes to a store by a link is kept out while another records into it") {
  Bench bench;
  bench.start();
  const std::string link = bench.folder.file("link.db");
  fs::create_symlink(bench.path, link);
  StorePipeline second(link, {}, bench.queue, bench.state, bench.clock, bench.log.sink());
  const auto opened = second.open({{0, bench.settings}});
  REQUIRE_FALSE(opened);
  CHECK(opened.error().message.find("a service already works on this store") != std::string::npos);
}

TEST_CASE("a run that begins and ends within a millisecond holds nothing, and the store stays sound") {
  Bench bench(false);
  bench.start();
  bench.record(evening_of({{25.0, 10}}));
  for (int i = 0; i < 2; ++i) {
    REQUIRE(bench.begin("Gannet board", at(20)));
    REQUIRE(bench.ask(EndRequest{}, at(20)));
  }
  bench.record(evening_of({{25.0, 10}}, at(20)));
  const auto runs = must(bench.reader().runs());
  REQUIRE(runs.size() == 2);
  for (const storage::RunInfo& run : runs) CHECK(run.samples == 0);
  const storage::StoreCheck check = must(bench.reader().check(figures::prove_run));
  for (const std::string& problem : check.problems) UNSCOPED_INFO(problem);
  CHECK(check.ok);
}
