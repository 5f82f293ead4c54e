// A writer killed at any moment leaves every committed reading and a store that checks clean.
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>

#include "figures/store_proof.hpp"
#include "helpers.hpp"

using namespace nightwatt;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;

namespace {

/// Tells over the pipe, after each commit, how many readings are committed. Never ends by itself.
[[noreturn]] void write_for_ever(const std::string& path, const std::vector<Reading>& readings, std::size_t done,
                                 int pipe_end, std::uint32_t seed) {
  std::mt19937 random(seed);
  Result<StoreWriter> writer = StoreWriter::open(path, {});
  if (!writer) ::_exit(1);
  while (done < readings.size()) {
    const std::size_t size = std::min<std::size_t>(readings.size() - done, 1 + random() % 400);
    if (!writer->begin()) ::_exit(2);
    const Result<StreamId> stream = writer->stream_for_meter("bench");
    if (!stream || !writer->apply(AppendReadings{*stream, std::span(readings).subspan(done, size)})) ::_exit(3);
    if (!writer->commit()) ::_exit(4);
    done += size;
    const std::uint64_t told = done;
    if (::write(pipe_end, &told, sizeof told) != static_cast<ssize_t>(sizeof told)) ::_exit(5);
  }
  while (true) ::pause();
}

/// An import of batches, each told of over the pipe when it is committed. Ends without publishing.
[[noreturn]] void import_for_ever(const std::string& path, const std::vector<Reading>& readings, int pipe_end) {
  Result<StoreWriter> writer = StoreWriter::open(path, {});
  if (!writer || !writer->begin()) ::_exit(1);
  const Result<StreamId> stream = writer->new_import_stream();
  if (!stream) ::_exit(2);
  constexpr std::size_t batch = 3'000;
  for (std::size_t done = 0; done < readings.size(); done += batch) {
    if (done > 0 && !writer->begin()) ::_exit(3);
    if (!writer->apply(AppendReadings{*stream, std::span(readings).subspan(done, batch)}) || !writer->commit())
      ::_exit(4);
    const char told = 0;
    if (::write(pipe_end, &told, 1) != 1) ::_exit(5);
  }
  while (true) ::pause();
}

void require_sound(const StoreReader& reader) {
  const StoreCheck check = must(reader.check(figures::prove_run));
  for (const std::string& problem : check.problems) UNSCOPED_INFO(problem);
  REQUIRE(check.ok);
}

}  // namespace

TEST_CASE("kill -9 in the middle of an import leaves nothing of it, and the same file can be imported then") {
  Folder folder;
  const std::vector<Reading> recorded = quiet_night(5'000, 14), readings = quiet_night(60'000, 15);
  StreamId bench = 0;
  {
    StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
    must(writer.begin());
    bench = must(writer.stream_for_meter("bench"));
    must(writer.apply(AppendReadings{bench, recorded}));
    must(writer.commit());
  }
  for (const int batches : {1, 4, 7, 20}) {  // with blocks and without, and before it would be published
    CAPTURE(batches);
    std::array<int, 2> pipe_ends{};
    REQUIRE(::pipe(pipe_ends.data()) == 0);
    const pid_t child = ::fork();
    if (child == 0) import_for_ever(folder.file(), readings, pipe_ends[1]);
    ::close(pipe_ends[1]);
    char told = 0;
    for (int i = 0; i < batches; ++i) REQUIRE(::read(pipe_ends[0], &told, 1) == 1);
    ::kill(child, SIGKILL);
    ::waitpid(child, nullptr, 0);
    ::close(pipe_ends[0]);
    const StoreReader left = must(StoreReader::open(folder.file()));
    CHECK(must(left.streams()).size() == 1);
    require_sound(left);
    const StoreWriter next = must(StoreWriter::open(folder.file(), {}));
    for (const StoreReader* reader : {&left, &next.reader()}) {
      std::vector<Reading> found;
      must(reader->readings(bench, UtcTime{0}, UtcTime{night_us * 2}, [&](const Reading& reading) {
        found.push_back(reading);
        return true;
      }));
      CHECK(found == recorded);
    }
    CHECK(must(next.reader().check(figures::prove_run)).blocks == 0);
  }
  StoreWriter writer = must(StoreWriter::open(folder.file(), {}));
  must(writer.begin());
  const StreamId stream = must(writer.new_import_stream());
  must(writer.apply(AppendReadings{stream, readings}));
  must(writer.apply(PublishImport{stream}));
  must(writer.commit());
  CHECK(must(writer.reader().check(figures::prove_run)).samples ==
        static_cast<std::int64_t>(recorded.size() + readings.size()));
  require_sound(writer.reader());
}

TEST_CASE("kill -9 at any moment loses no committed reading and leaves a clean store") {
  Folder folder;
  const std::vector<Reading> readings = quiet_night(200'000, 12);
  std::mt19937 random(12);
  std::size_t expected = 0;
  for (int round = 0; round < 25 && expected < readings.size(); ++round) {
    std::array<int, 2> pipe_ends{};
    REQUIRE(::pipe(pipe_ends.data()) == 0);
    const pid_t child = ::fork();
    if (child == 0) {
      ::close(pipe_ends[0]);
      write_for_ever(folder.file(), readings, expected, pipe_ends[1], static_cast<std::uint32_t>(round));
    }
    ::close(pipe_ends[1]);
    // Killed after a random number of commits, wherever the next one is by then.
    std::uint64_t committed = expected;
    for (auto commits = 1 + random() % 40; commits > 0; --commits) {
      std::uint64_t told = 0;
      if (::read(pipe_ends[0], &told, sizeof told) != static_cast<ssize_t>(sizeof told)) break;
      committed = told;
      if (told == readings.size()) break;
    }
    const auto spin = random() % 30'000;
    std::atomic<std::uint64_t> sink = 0;  // so that the child is somewhere else each time
    while (sink.fetch_add(1) < spin) {
    }
    ::kill(child, SIGKILL);
    ::waitpid(child, nullptr, 0);
    std::uint64_t told = 0;
    while (::read(pipe_ends[0], &told, sizeof told) == static_cast<ssize_t>(sizeof told)) committed = told;
    ::close(pipe_ends[0]);

    const StoreReader reader = must(StoreReader::open(folder.file()));
    std::size_t count = 0;
    bool equal = true;
    must(reader.readings(1, UtcTime{0}, UtcTime{night_us * 2}, [&](const Reading& reading) {
      equal = equal && count < readings.size() && reading == readings[count];
      ++count;
      return true;
    }));
    INFO("round " << round << ", committed " << committed << ", found " << count);
    REQUIRE(equal);
    REQUIRE(count >= committed);  // a commit may be done and not yet told
    REQUIRE(count <= committed + 400);
    require_sound(reader);
    expected = count;
  }
}
