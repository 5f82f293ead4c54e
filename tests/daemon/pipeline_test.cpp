#include "daemon/store_pipeline.hpp"

#include <sys/resource.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <csignal>
#include <filesystem>
#include <random>

#include "figures/recompute.hpp"
#include "figures/run_figures.hpp"
#include "figures/store_proof.hpp"
#include "tests/daemon/store_support.hpp"
#include "tests/run_sql.hpp"
#include "tests/small_disk.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using namespace nightwatt::test;

namespace {

UtcTime at(int seconds) {
  return evening + seconds * Duration(1'000'000);
}

/// While it lives, no file of this process may grow: every write of the store fails.
class NoRoom {
 public:
  NoRoom() {
    previous_ = std::signal(SIGXFSZ, SIG_IGN);
    ::getrlimit(RLIMIT_FSIZE, &limit_);
    rlimit none = limit_;
    none.rlim_cur = 0;
    ::setrlimit(RLIMIT_FSIZE, &none);
  }
  ~NoRoom() {
    ::setrlimit(RLIMIT_FSIZE, &limit_);
    std::signal(SIGXFSZ, previous_);
  }
  NoRoom(const NoRoom&) = delete;
  NoRoom& operator=(const NoRoom&) = delete;

 private:
  rlimit limit_{};
  void (*previous_)(int) = nullptr;
};

/// The store side of a service with the meters "bench" (0) and "spare" (1), in one thread.
struct Bench {
  explicit Bench(std::size_t room = ReadingQueue::reading_limit) : queue(clock, room) { open(); }

  StorePipeline::Opened open() {
    pipeline.emplace(path, settings, queue, state, clock, log.sink());
    RecorderSettings spare = bench_settings();
    spare.meter = "spare";
    return must(pipeline->open({{0, bench_settings()}, {1, spare}}));
  }
  void push(const std::vector<Reading>& readings, MeterId meter = 0) {
    for (const Reading& reading : readings) REQUIRE(queue.push(QueuedReading{meter, reading}));
  }
  // Asks, and gives the answer's place, empty until it comes.
  std::shared_ptr<std::optional<Result<storage::RunId>>> ask(RunRequest request, UtcTime now) {
    auto answer = std::make_shared<std::optional<Result<storage::RunId>>>();
    command = std::make_shared<RunCommand>(std::move(request), now, [answer](auto result) { *answer = result; });
    REQUIRE(queue.push(QueueItem(command)));
    return answer;
  }
  static BeginRequest begin(const std::string& device, std::optional<std::string> meter = "bench") {
    BeginRequest request;
    request.device = device;
    request.meter = std::move(meter);
    return request;
  }
  [[nodiscard]] storage::StoreReader reader() const { return must(storage::StoreReader::open(path)); }
  [[nodiscard]] std::size_t stored(const std::string& meter = "bench") const {
    const auto store = reader();
    std::size_t count = 0;
    must(store.readings(**store.stream_of_meter(meter), UtcTime{0}, UtcTime{INT64_MAX}, [&](const Reading&) {
      ++count;
      return true;
    }));
    return count;
  }
  [[nodiscard]] std::vector<storage::Event> events() const {
    return must(reader().events(UtcTime{0}, UtcTime{INT64_MAX}));
  }

  TempFolder folder;
  std::string path = folder.file("nightwatt.db");
  storage::StoreSettings settings = [] {
    storage::StoreSettings quick;
    quick.busy_timeout_ms = 10;  // no test waits for a lock longer than it must
    return quick;
  }();
  JumpingClock clock;
  Log log;
  ReadingQueue queue;
  PipelineState state;
  std::optional<StorePipeline> pipeline;
  std::shared_ptr<RunCommand> command;
};

}  // namespace

TEST_CASE("one round stores all that is queued, of every meter") {
  Bench bench;
  bench.push(evening_of({{5.0, 100}}));
  bench.push(evening_of({{9.0, 50}}), 1);
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::idle);
  CHECK(bench.stored() == 100);
  CHECK(bench.stored("spare") == 50);
}

TEST_CASE("a begin takes effect after the readings before it, and its answer comes after the commit") {
  Bench bench;
  bench.push(evening_of({{0.0, 60}, {5.0, 60}}));
  const auto answer = bench.ask(Bench::begin("Gannet board"), at(120));
  bench.push(evening_of({{5.0, 60}}, at(120)));
  CHECK_FALSE(*answer);
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  REQUIRE(*answer);
  REQUIRE(**answer);
  const auto store = bench.reader();
  const auto run = must(store.run(***answer));
  CHECK(run.begin == at(120));
  CHECK(must(figures::run_figures(store, run.id)).totals.samples() == 60);
  CHECK(must(store.runs()).size() == 2);  // the automatic one ended
}

TEST_CASE("a reading that comes after an end is not in the run, though both have the same stamp") {
  Bench bench;
  (void)bench.ask(Bench::begin("Gannet board"), at(0));
  bench.push(evening_of({{5.0, 60}}));
  const auto ended = bench.ask(EndRequest{}, at(60));
  bench.push(evening_of({{5.0, 60}}, at(60)));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  REQUIRE(**ended);
  const auto store = bench.reader();
  CHECK(must(store.run(***ended)).samples == 60);
  CHECK(must(figures::run_figures(store, ***ended)).totals.samples() == 60);
  const auto check = must(store.check(figures::prove_run));
  CHECK(check.problems == std::vector<std::string>{});
}

TEST_CASE("a refused begin leaves the batch around it as it is") {
  Bench bench;
  const auto first = bench.ask(Bench::begin("Gannet board"), at(0));
  bench.push(evening_of({{5.0, 10}}));
  const auto second = bench.ask(Bench::begin("Puffin mini"), at(10));
  bench.push(evening_of({{5.0, 10}}, at(10)));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK(**first);
  REQUIRE_FALSE(**second);
  CHECK((*second)->error().kind == ErrorKind::negative);
  CHECK(bench.stored() == 20);
}

TEST_CASE("with several meters begin and end ask which, end takes the one with an open run") {
  Bench bench;
  const auto which = bench.ask(Bench::begin("Gannet board", {}), at(0));
  const auto unknown = bench.ask(Bench::begin("Gannet board", "attic"), at(0));
  const auto begun = bench.ask(Bench::begin("Gannet board", "spare"), at(0));
  const auto ended = bench.ask(EndRequest{}, at(10));
  const auto none = bench.ask(EndRequest{}, at(20));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK((*which)->error().kind == ErrorKind::input);
  CHECK((*unknown)->error().kind == ErrorKind::negative);
  REQUIRE(**begun);
  REQUIRE(**ended);
  CHECK(***ended == ***begun);
  CHECK((*none)->error().kind == ErrorKind::negative);
}

TEST_CASE("an instant given by a person is taken by the calendar as it was shown then") {
  Bench bench;
  REQUIRE(bench.queue.push(QueueItem(QueuedUtcOffset{at(100), Duration(7'200'000'000)})));
  bench.push(evening_of({{5.0, 300}}));
  BeginRequest request = Bench::begin("Gannet board");
  request.at = at(200) + 2h;  // shown after the calendar was set two hours forward
  const auto answer = bench.ask(request, at(300));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  REQUIRE(**answer);
  CHECK(must(bench.reader().run(***answer)).begin == at(200));
}

TEST_CASE("a service that ended cleanly is not called killed, one that did not is") {
  Bench bench;
  bench.push(evening_of({{5.0, 100}}));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  SECTION("clean") {
    REQUIRE(bench.pipeline->close(at(100)));
    CHECK_FALSE(bench.open().killed);
    const auto events = bench.events();
    REQUIRE(events.size() == 1);
    CHECK(events[0].kind == storage::EventKind::service_stopped);
  }
  SECTION("killed") {
    bench.pipeline.reset();
    const auto opened = bench.open();
    CHECK(opened.killed);
    CHECK(opened.newest == at(99));
    const auto events = bench.events();
    REQUIRE(events.size() == 1);
    CHECK(events[0].kind == storage::EventKind::killed);
    CHECK(events[0].at == at(99));
  }
}

TEST_CASE("the clean end stores what is still queued") {
  Bench bench;
  bench.push(evening_of({{5.0, 100}}));
  REQUIRE(bench.pipeline->close(at(100)));
  CHECK(bench.stored() == 100);
}

TEST_CASE("a store that cannot be written loses nothing within the buffer, and figures stay one with readings") {
  Bench bench;
  const auto night = evening_of({{0.0, 100}, {5.0, 500}, {25.0, 400}, {0.0, 500}, {5.0, 100}});
  std::size_t next = 0;
  const auto push_some = [&](std::size_t count) {
    bench.push(
        {night.begin() + static_cast<std::ptrdiff_t>(next), night.begin() + static_cast<std::ptrdiff_t>(next + count)});
    next += count;
  };
  while (next < night.size()) {
    push_some(80);
    {
      const NoRoom no_room;
      CHECK(bench.pipeline->work() == StorePipeline::Outcome::paused);
      push_some(20);
      CHECK(bench.pipeline->work() == StorePipeline::Outcome::paused);
    }
    CHECK(bench.state.paused);
    CHECK(bench.pipeline->work() == StorePipeline::Outcome::stored);  // the batch that had failed
    CHECK(bench.pipeline->work() == StorePipeline::Outcome::stored);  // what came meanwhile
    CHECK_FALSE(bench.state.paused);
  }
  CHECK(bench.stored() == night.size());
  RecordedMeter untroubled;
  untroubled.record(night);
  const auto store = bench.reader();
  const auto runs = must(store.runs());
  REQUIRE(runs.size() == untroubled.runs().size());
  for (const auto& run : runs) {
    const auto ours = must(figures::run_figures(store, run.id));
    const auto theirs = untroubled.figures(run.id);
    CHECK(ours.info.begin == theirs.info.begin);
    CHECK(ours.info.end == theirs.info.end);
    CHECK(ours.totals.samples() == theirs.totals.samples());
    CHECK(ours.totals.energy_wh() == theirs.totals.energy_wh());
    CHECK(ours.segments.size() == theirs.segments.size());
  }
  CHECK(must(store.check(figures::prove_run)).ok);
}

TEST_CASE(
    "while the store cannot be written the pauses between tries grow to a limit and the log gets a line a minute") {
  Bench bench;
  bench.push(evening_of({{5.0, 10}}));
  const NoRoom no_room;
  Duration last{0};
  for (int i = 0; i < 10; ++i) {
    CHECK(bench.pipeline->work() == StorePipeline::Outcome::paused);
    CHECK(bench.pipeline->pause() >= last);
    last = bench.pipeline->pause();
  }
  CHECK(last == StorePipeline::longest_pause);
  CHECK(bench.log.count("recording is paused") == 1);
  bench.clock.pass(61s);
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::paused);
  CHECK(bench.log.count("(9 more tries failed)") == 1);
}

TEST_CASE("recording goes on soon after another program has let go of the store, however long it kept it") {
  Bench bench;
  auto other = must(storage::StoreWriter::open(bench.folder.file("nightwatt.db"), {}));
  must(other.begin());
  bench.push(evening_of({{5.0, 10}}));
  for (int i = 0; i < 10; ++i) {
    CHECK(bench.pipeline->work() == StorePipeline::Outcome::paused);
    CHECK(bench.pipeline->pause() == StorePipeline::first_pause);
  }
  other.rollback();
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK_FALSE(bench.state.paused);
}

TEST_CASE("a begin that was withdrawn while another program kept the store locked is never obeyed") {
  Bench bench;
  auto other = must(storage::StoreWriter::open(bench.folder.file("nightwatt.db"), {}));
  must(other.begin());
  const auto answer = bench.ask(Bench::begin("Gannet board"), at(0));
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::paused);
  CHECK_FALSE(*answer);  // it may still be obeyed
  other.rollback();
  REQUIRE(bench.command->take_back());
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK_FALSE(*answer);
  CHECK(must(bench.reader().runs()).empty());
}

TEST_CASE("while the store cannot be written a begin is refused at once with the reason, and never obeyed later") {
  Bench bench;
  {
    const NoRoom no_room;
    bench.push(evening_of({{5.0, 10}}));
    const auto first = bench.ask(Bench::begin("Gannet board"), at(10));
    CHECK(bench.pipeline->work() == StorePipeline::Outcome::paused);
    REQUIRE(*first);
    REQUIRE_FALSE(**first);
    CHECK((*first)->error().kind == ErrorKind::unusable);
    CHECK((*first)->error().message.find(bench.state.why.get()) != std::string::npos);
    const auto queued = bench.ask(Bench::begin("Puffin mini"), at(11));
    CHECK(bench.pipeline->work() == StorePipeline::Outcome::paused);
    REQUIRE(*queued);
    CHECK_FALSE(**queued);
  }
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::idle);
  CHECK(bench.stored() == 10);
  for (const storage::RunInfo& run : must(bench.reader().runs())) CHECK(run.origin == storage::RunOrigin::automatic);
  CHECK(bench.state.why.get().empty());
}

TEST_CASE("when the store's file is taken away recording goes on in a new one at its path, with the open run") {
  Bench bench;
  const std::string path = bench.folder.file("nightwatt.db");
  const std::string aside = bench.folder.file("aside.db");
  REQUIRE(bench.queue.push(QueueItem(QueuedUtcOffset{at(0), Duration(7'200'000'000)})));
  BeginRequest request = Bench::begin("Gannet board");
  request.includes = {"adapter"};
  (void)bench.ask(request, at(0));
  bench.push(evening_of({{5.0, 100}}));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  SECTION("moved") {
    std::filesystem::rename(path, aside);
  }
  SECTION("deleted with all that belongs to it") {
    for (const char* suffix : {"", "-wal", "-shm", "-lock"}) std::filesystem::remove(path + suffix);
  }
  SECTION("replaced by a copy from before") {
    bench.pipeline->work();
    std::filesystem::rename(path, aside);
    (void)must(storage::StoreWriter::open(bench.folder.file("other.db"), {}));
    std::filesystem::rename(bench.folder.file("other.db"), path);
  }
  bench.push(evening_of({{5.0, 50}}, at(100)));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK(bench.log.count("moved, deleted or replaced") == 1);
  CHECK(bench.stored() == 50);
  const auto store = bench.reader();
  const auto runs = must(store.runs());
  REQUIRE(runs.size() == 1);
  CHECK(runs[0].device == "Gannet board");
  CHECK(runs[0].includes == std::vector<std::string>{"adapter"});
  CHECK(runs[0].begin == at(100));
  CHECK(runs[0].samples == 50);
  CHECK(must(store.utc_offset_at(runs[0].stream, at(120))) == Duration(7'200'000'000));
  const auto events = bench.events();
  REQUIRE(events.size() == 1);
  CHECK(events[0].kind == storage::EventKind::store_moved);
  const auto ended = bench.ask(EndRequest{}, at(150));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  REQUIRE(**ended);
  CHECK(***ended == runs[0].id);
  CHECK(must(bench.reader().check(figures::prove_run)).problems == std::vector<std::string>{});
  if (!std::filesystem::exists(aside)) return;
  // What was recorded before is whole in the old file alone, without its log.
  const auto old = must(storage::StoreReader::open(aside));
  CHECK(must(old.check(figures::prove_run)).problems == std::vector<std::string>{});
  CHECK(must(old.runs()).at(0).samples == 100);
}

TEST_CASE("a store whose folder is gone keeps readings waiting and refuses begin, when it is back all of it goes on") {
  Bench bench;
  const std::string folder = bench.folder.file("disk");
  std::filesystem::create_directory(folder);
  bench.path = folder + "/nightwatt.db";
  bench.open();
  bench.push(evening_of({{5.0, 100}}));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  std::filesystem::rename(folder, folder + ".unplugged");
  bench.push(evening_of({{5.0, 50}}, at(100)));
  const auto answer = bench.ask(Bench::begin("Gannet board"), at(150));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::paused);
  REQUIRE(*answer);
  CHECK_FALSE(**answer);
  CHECK(bench.state.paused);
  std::filesystem::rename(folder + ".unplugged", folder);
  bench.push(evening_of({{5.0, 10}}, at(150)));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK(bench.stored() == 160);
  CHECK(must(bench.reader().runs()).size() == 1);
  CHECK(must(bench.reader().check(figures::prove_run)).problems == std::vector<std::string>{});
}

TEST_CASE("a service started where not even an empty file can be made waits for room as well") {
  Bench bench;
  const SmallDisk disk(bench.folder.file("disk"), "nr_inodes=1");  // the folder itself is one
  if (!disk.mounted()) {
    WARN("SKIPPED: may not mount a small tmpfs here");
    return;
  }
  bench.path = bench.folder.file("disk/nightwatt.db");
  bench.open();
  CHECK(bench.state.full);
  bench.push(evening_of({{5.0, 50}}, at(100)));
  disk.set_limits("nr_inodes=2");  // the lock's file fits, the store's does not
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::paused);
  CHECK(bench.state.full);
  disk.set_limits("nr_inodes=100");
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK(bench.stored() == 50);
}

TEST_CASE("a service started without room for its store waits for it and loses nothing") {
  Bench bench;
  bench.push(evening_of({{5.0, 100}}));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  REQUIRE(bench.pipeline->close(at(100)));
  const SmallDisk disk(bench.folder.file("disk"), "size=1m");
  if (!disk.mounted()) {
    WARN("SKIPPED: may not mount a small tmpfs here");
    return;
  }
  const bool is_new = GENERATE(false, true);
  bench.path = bench.folder.file("disk/nightwatt.db");
  if (!is_new) std::filesystem::copy_file(bench.folder.file("nightwatt.db"), bench.path);
  disk.fill();
  const auto opened = bench.open();
  CHECK(bench.state.paused);
  CHECK(bench.state.full);
  if (opened.looked) CHECK(opened.newest == at(99));
  bench.push(evening_of({{5.0, 50}}, at(100)));
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::paused);
  disk.make_room();
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK_FALSE(bench.state.full);
  CHECK(bench.stored() == (is_new ? 50 : 150));
  CHECK(must(bench.reader().check(figures::prove_run)).problems == std::vector<std::string>{});
}

TEST_CASE("a service started on damaged newest readings sets them aside, says so, and goes on with its run") {
  Bench bench;
  const auto begun = bench.ask(Bench::begin("Gannet board"), at(0));
  bench.push(evening_of({{5.0, 1'000}}));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  bench.pipeline.reset();  // killed
  REQUIRE(run_sql(bench.path,
                  "UPDATE tail SET bytes = substr(bytes, 1, 40) || x'55' || substr(bytes, 42) WHERE id = "
                  "(SELECT max(id) FROM tail)") > 0);
  bench.open();
  bench.push(evening_of({{5.0, 100}}, at(1'000)));
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::stored);
  const std::size_t stored = bench.stored();
  CHECK(stored < 1'100);
  CHECK(stored > 300);
  const auto events = bench.events();
  CHECK(std::count_if(events.begin(), events.end(), [](const storage::Event& event) {
          return event.kind == storage::EventKind::readings_lost && event.meter == "bench";
        }) == 1);
  const auto runs = must(bench.reader().runs());
  REQUIRE(runs.size() == 1);
  CHECK_FALSE(runs[0].end.has_value());
  CHECK(runs[0].device == "Gannet board");
}

TEST_CASE("a service renews the figures that an older program kept, the newest run first, when there is time") {
  Bench bench;
  bench.pipeline.reset();
  bench.path = bench.folder.file("old.db");
  std::filesystem::copy_file(std::string(NIGHTWATT_TEST_DATA) + "/store-version-2.db", bench.path);
  bench.open();
  REQUIRE(figures::has_old_figures(bench.reader(), 1));
  bench.push(evening_of({{5.0, 10}}));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  for (int i = 0; i < 3; ++i) bench.pipeline->tidy();
  CHECK_FALSE(figures::has_old_figures(bench.reader(), 1));
  CHECK(must(bench.reader().check(figures::prove_run)).problems == std::vector<std::string>{});
}

TEST_CASE("nothing is given up for its age before the calendar has stood for a while, since the start or a step") {
  Bench bench;
  bench.settings.keep_raw_days = 0.05;
  bench.open();
  const std::vector<Reading> readings = evening_of({{0.0, 40'000}});
  for (const std::size_t from : {std::size_t{0}, std::size_t{10'000}, std::size_t{20'000}, std::size_t{30'000}}) {
    bench.push({readings.begin() + static_cast<std::ptrdiff_t>(from),
                readings.begin() + static_cast<std::ptrdiff_t>(from + 10'000)});
    REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  }
  const auto tidy_after = [&](Duration time) {
    bench.clock.pass(time);
    bench.pipeline->tidy();
    return bench.stored();
  };
  CHECK(tidy_after(0s) == 40'000);
  CHECK(tidy_after(10min) == 40'000);
  bench.queue.push_always(QueuedUtcOffset{readings.back().time, 3600s});
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK(tidy_after(14min) == 40'000);
  CHECK(tidy_after(2min) < 40'000);
}

TEST_CASE("at max_size_mb = 1 the file stays below a megabyte, and the log says what went, readings before minutes") {
  Bench bench;
  bench.pipeline.reset();
  {
    // A reading each 15 s for four months, up to the evening: minutes alone are more than the limit.
    storage::StoreWriter writer = must(storage::StoreWriter::open(bench.path, {}));
    must(writer.begin());
    const storage::StreamId stream = must(writer.stream_for_meter("bench"));
    constexpr std::int64_t count = 700'000, step_us = 15'000'000;
    std::mt19937 random(26);
    std::vector<Reading> readings;
    for (std::int64_t i = 0; i < count; ++i) {
      Reading reading{};
      reading.time.us = at(0).us - (count - i) * step_us;
      reading.values.set(Quantity::power, Decimal{static_cast<std::int64_t>(random() % 30'000), -2});
      readings.push_back(reading);
    }
    must(writer.apply(storage::AppendReadings{stream, readings}));
    must(writer.commit());
  }
  REQUIRE(storage::store_bytes(bench.path).value() > 1'000'000);
  bench.settings.max_size_mb = 1.0;
  bench.open();
  bench.push(evening_of({{5.0, 100}}));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  for (int minute = 0; minute < 100; ++minute) {
    bench.clock.pass(1min);
    bench.pipeline->tidy();
  }
  CHECK(storage::store_bytes(bench.path).value() <= 1'000'000);
  CHECK(bench.log.count("store: at its limit of size, readings gave way to minutes and hours") == 1);
  bench.clock.pass(6h);
  bench.pipeline->tidy();
  CHECK_THAT(bench.log.last(),
             Catch::StartsWith(
                 "store: at its limit of size, readings gave way to minutes and hours, the oldest minutes went"));
  CHECK(must(bench.reader().aggregates(must(bench.reader().stream_of_meter("bench")).value(), Quantity::power,
                                       UtcTime{0}, at(1'000)))
            .count == 700'100);
}

TEST_CASE("newest readings that are damaged while the service runs are set aside when they are next needed") {
  Bench bench;
  bench.push(evening_of({{5.0, 1'000}}));
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  REQUIRE(run_sql(bench.path, "UPDATE tail SET bytes = x'0000' WHERE id = (SELECT min(id) FROM tail)") > 0);
  const std::vector<Reading> later = evening_of({{5.0, 100}}, at(90'000));  // after a day the tail becomes a block
  bench.push(later);
  CHECK(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK(bench.stored() > 300);
  CHECK(bench.events().back().kind == storage::EventKind::readings_lost);
  CHECK(bench.state.damages == 0);
}

TEST_CASE("a reload keeps the run of a meter that stays, and a meter that comes back goes on with its own") {
  Bench bench;
  const auto begun = bench.ask(Bench::begin("Gannet board"), at(0));
  bench.push(evening_of({{5.0, 100}}));
  const auto without = std::make_shared<QueuedMeters>();
  RecorderSettings spare = bench_settings();
  spare.meter = "spare";
  without->meters = {{1, spare}};
  bench.queue.push_always(without);
  bench.push(evening_of({{5.0, 10}}, at(100)));  // nobody's any more
  const auto with = std::make_shared<QueuedMeters>();
  with->meters = {{1, spare}, {2, bench_settings()}};
  bench.queue.push_always(with);
  bench.push(evening_of({{5.0, 100}}, at(200)), 2);
  REQUIRE(bench.pipeline->work() == StorePipeline::Outcome::stored);
  CHECK(bench.stored() == 200);
  const auto figures = must(figures::run_figures(bench.reader(), ***begun));
  CHECK_FALSE(figures.info.end);
  CHECK(figures.totals.samples() == 200);
}
