// Telling at night without a process, a socket or a clock of its own.
#include <algorithm>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "daemon/notification_message.hpp"
#include "daemon/notification_queue.hpp"
#include "daemon/silence_watch.hpp"
#include "tests/daemon/support.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using namespace nightwatt::test;

namespace {

NotificationMessage message(std::string text) {
  NotificationMessage result;
  result.at = evening;
  result.text = std::move(text);
  return result;
}

MonoTime at(double seconds) {
  return MonoTime{5'000'000} + to_duration({seconds});
}

}  // namespace

TEST_CASE("messages are told in order, one at a time") {
  NotificationQueue queue(3);
  CHECK_FALSE(queue.due());
  CHECK(queue.push(message("first"), at(0)));
  CHECK(queue.push(message("second"), at(1)));
  CHECK(queue.due() == at(0));
  CHECK(queue.start().text == "first");
  CHECK_FALSE(queue.due());  // while one is on its way
  CHECK(queue.finish(true, at(2)) == NotificationQueue::Outcome::told);
  CHECK(queue.due() == at(2));
  CHECK(queue.start().text == "second");
  CHECK(queue.finish(true, at(3)) == NotificationQueue::Outcome::told);
  CHECK_FALSE(queue.due());
  CHECK(queue.size() == 0);
}

TEST_CASE("a message that fails is tried again after 5, 10, 20, ... seconds and given up after its tries") {
  NotificationQueue queue(4);
  REQUIRE(queue.push(message("first"), at(0)));
  REQUIRE(queue.push(message("second"), at(0)));
  double now = 0.0;
  for (const double pause : {5.0, 10.0, 20.0}) {
    CHECK(queue.start().text == "first");
    CHECK(queue.finish(false, at(now)) == NotificationQueue::Outcome::again);
    CHECK(queue.due() == at(now + pause));
    now += pause;
  }
  (void)queue.start();
  CHECK(queue.finish(false, at(now)) == NotificationQueue::Outcome::given_up);
  CHECK(queue.due() == at(now));  // the next one at once, and its pauses begin anew
  CHECK(queue.start().text == "second");
  CHECK(queue.finish(false, at(now)) == NotificationQueue::Outcome::again);
  CHECK(queue.due() == at(now + 5.0));
}

TEST_CASE("the pause between tries grows to five minutes and no further") {
  NotificationQueue queue(20);
  REQUIRE(queue.push(message("first"), at(0)));
  for (int i = 0; i < 15; ++i) {
    (void)queue.start();
    REQUIRE(queue.finish(false, at(0)) == NotificationQueue::Outcome::again);
  }
  CHECK(queue.due() == at(300.0));
}

TEST_CASE("a receiver that is away for long has so many messages kept for it and no more") {
  NotificationQueue queue(8);
  for (std::size_t i = 0; i < NotificationQueue::limit; ++i) CHECK(queue.push(message(std::to_string(i)), at(0)));
  CHECK_FALSE(queue.push(message("one too many"), at(0)));
  CHECK(queue.start().text == "0");
  (void)queue.finish(true, at(1));
  CHECK(queue.push(message("room again"), at(1)));
}

TEST_CASE("a meter is silent once, when its patience is over, and back once") {
  SilenceWatch watch(Duration(300s));
  CHECK_FALSE(watch.look(1, at(0), at(299.9)));
  const auto silent = watch.look(1, at(0), at(300));
  REQUIRE(silent);
  CHECK(silent->silent);
  CHECK(silent->lasted == Duration(300s));
  CHECK_FALSE(watch.look(1, at(0), at(301)));
  CHECK_FALSE(watch.look(1, at(0), at(9000)));
  const auto back = watch.look(1, at(9000.5), at(9001));
  REQUIRE(back);
  CHECK_FALSE(back->silent);
  CHECK(back->lasted == Duration(9000500ms));
  CHECK_FALSE(watch.look(1, at(9001), at(9002)));
  CHECK(watch.look(1, at(9001), at(9301)));
}

TEST_CASE("each meter has its own silence, and one that was taken away is forgotten") {
  SilenceWatch watch(Duration(10s));
  CHECK(watch.look(1, at(0), at(20)));
  CHECK_FALSE(watch.look(2, at(15), at(20)));
  watch.keep_only({2});
  CHECK(watch.look(1, at(0), at(21)));  // as if never seen
  CHECK(watch.look(2, at(15), at(25)));
}

TEST_CASE("whatever a device is called, it is one value of one line of JSON and of one variable") {
  const std::string hostile = "\"; rm -rf / #\n$(reboot) `x` \xff\\ <script>";
  NotificationMessage ended = message("run 7 ended");
  ended.kind = config::NotificationKind::run_ended;
  ended.run = 7;
  ended.meter = "bench";
  ended.device = hostile;
  ended.seconds = 28800.0;
  const std::string text = notification_json(ended);
  CHECK(std::count(text.begin(), text.end(), '\n') == 1);
  const auto json = nlohmann::json::parse(text);
  CHECK(json["event"] == "run_ended");
  CHECK(json["at"] == "2026-01-05T21:00:00.000Z");
  CHECK(json["text"] == "run 7 ended");
  CHECK(json["meter"] == "bench");
  CHECK(json["run"] == 7);
  CHECK(json["seconds"] == 28800.0);
  CHECK_THAT(json["device"].get<std::string>(), Catch::StartsWith("\"; rm -rf / #\n$(reboot) `x` "));
  const auto environment = tell_environment(ended);
  CHECK(std::count(environment.begin(), environment.end(), "NIGHTWATT_DEVICE=" + hostile) == 1);
  CHECK(std::count(environment.begin(), environment.end(), "NIGHTWATT_EVENT=run_ended") == 1);
  CHECK(std::count(environment.begin(), environment.end(), "NIGHTWATT_RUN=7") == 1);
}

TEST_CASE("what an event does not have is left out") {
  NotificationMessage full = message("full");
  full.kind = config::NotificationKind::disk_full;
  const auto json = nlohmann::json::parse(notification_json(full));
  CHECK(json.size() == 3);
  CHECK(tell_environment(full).size() == 3);
}
