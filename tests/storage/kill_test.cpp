// A writer killed at any moment leaves every committed reading and a store that checks clean.
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>

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
    if (!stream || !writer->append(*stream, std::span(readings).subspan(done, size))) ::_exit(3);
    if (!writer->commit()) ::_exit(4);
    done += size;
    const std::uint64_t told = done;
    if (::write(pipe_end, &told, sizeof told) != static_cast<ssize_t>(sizeof told)) ::_exit(5);
  }
  while (true) ::pause();
}

}  // namespace

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
    const StoreCheck check = must(reader.check());
    for (const std::string& problem : check.problems) UNSCOPED_INFO(problem);
    REQUIRE(check.ok);
    expected = count;
  }
}
