#include "daemon/reading_queue.hpp"

#include <catch2/catch.hpp>
#include <thread>

#include "tests/daemon/support.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using namespace nightwatt::test;

namespace {

const JumpingClock clock_of_test;  // nobody moves it

QueuedReading reading(int number) {
  return {0, {evening + number * Duration(1'000'000), power(number)}};
}

}  // namespace

TEST_CASE("a full queue refuses readings and keeps what it has, in order") {
  ReadingQueue queue(clock_of_test, 3);
  for (int i = 0; i < 3; ++i) CHECK(queue.push(reading(i)));
  CHECK_FALSE(queue.push(reading(3)));
  CHECK(queue.readings() == 3);
  const auto items = only<QueuedReading>(queue.take());
  REQUIRE(items.size() == 3);
  for (int i = 0; i < 3; ++i) CHECK(items[static_cast<std::size_t>(i)].reading == reading(i).reading);
  CHECK(queue.empty());
  CHECK(queue.push(reading(4)));
}

TEST_CASE("readings without room leave room for events, and events have a limit of their own") {
  ReadingQueue queue(clock_of_test, 1);
  REQUIRE(queue.push(reading(0)));
  REQUIRE_FALSE(queue.push(reading(1)));
  for (std::size_t i = 0; i < ReadingQueue::other_limit; ++i) REQUIRE(queue.push(QueueItem(storage::Event{})));
  CHECK_FALSE(queue.push(QueueItem(storage::Event{})));
  queue.push_always(storage::Event{});
  CHECK(queue.take().size() == ReadingQueue::other_limit + 2);
}

TEST_CASE("a request is due at once, though the batch before it is not") {
  ReadingQueue queue(clock_of_test);
  REQUIRE(queue.push(reading(0)));
  REQUIRE(queue.push(QueueItem(std::make_shared<RunCommand>(EndRequest{}, evening, [](auto) {}))));
  CHECK(queue.wait(1h) == ReadingQueue::Wake::batch);
}

TEST_CASE("a calendar that was put right is due at once, but ends no pause") {
  ReadingQueue queue(clock_of_test);
  queue.push_always(QueuedUtcOffset{evening, 1h});
  CHECK(queue.look_wait(1h).wake == ReadingQueue::Wake::batch);
  CHECK_FALSE(queue.look_rest(clock_of_test.monotonic() + 1h).wake);
}

TEST_CASE("a batch is due when its first reading has waited for the flush time") {
  ReadingQueue queue(clock_of_test);
  REQUIRE(queue.push(reading(0)));
  CHECK(queue.wait(0us) == ReadingQueue::Wake::batch);
}

TEST_CASE("a poke and a stop wake a store thread that has nothing to do or rests") {
  ReadingQueue queue(clock_of_test);
  queue.poke();
  CHECK(queue.wait(1h) == ReadingQueue::Wake::poke);
  REQUIRE(queue.push(reading(0)));
  queue.poke();
  CHECK(queue.rest(1h) == ReadingQueue::Wake::poke);
  CHECK(queue.rest(0us) == ReadingQueue::Wake::rested);
  queue.stop();
  CHECK(queue.wait(1h) == ReadingQueue::Wake::stop);
  CHECK(queue.rest(1h) == ReadingQueue::Wake::stop);
}

TEST_CASE("two threads pass every reading once and in order") {
  constexpr int count = 20000;
  ReadingQueue queue(clock_of_test);
  std::thread maker([&] {
    for (int i = 0; i < count;)
      if (queue.push(reading(i))) ++i;
    queue.stop();
  });
  int next = 0;
  const auto take = [&] {
    for (const auto& item : only<QueuedReading>(queue.take())) {
      REQUIRE(item.reading.time == reading(next).reading.time);
      ++next;
    }
  };
  while (queue.wait(0us) != ReadingQueue::Wake::stop) take();
  maker.join();
  take();
  CHECK(next == count);
}

TEST_CASE("a request that was taken back is never obeyed, one being obeyed cannot be taken back") {
  RunCommand withdrawn(EndRequest{}, evening, [](auto) {});
  CHECK(withdrawn.take_back());
  CHECK_FALSE(withdrawn.take());
  RunCommand taken(EndRequest{}, evening, [](auto) {});
  CHECK(taken.take());
  CHECK_FALSE(taken.take_back());
  taken.put_back();
  CHECK(taken.take_back());
}
