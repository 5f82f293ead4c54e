// How long a client of the status page may take, what may wait for it, and what it is told.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "page/curve.hpp"
#include "page/messages.hpp"
#include "page/metrics.hpp"
#include "page/outbox.hpp"
#include "page/timeouts.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using namespace nightwatt::daemon::page;
using Phase = Timeouts::Phase;

namespace {

constexpr MonoTime start{1'000'000'000};
constexpr Duration second{1'000'000};
constexpr Duration promise = 10 * second;  // a client that stops reading is dropped within

Outbox::Text text(std::size_t size) {
  return std::make_shared<const std::string>(std::string(size, 'x'));
}

State state_of(const std::vector<MeterStatus>& meters) {
  State state;
  state.service.version = "1.2.3";
  state.service.meters = meters;
  state.fresh.resize(meters.size());
  state.queue_limit = 16384;
  return state;
}

}  // namespace

TEST_CASE("page: a header that comes a byte at a time has its time from the first byte, not from the last") {
  Timeouts timeouts(start);
  timeouts.enter(Phase::request, start);
  CHECK_FALSE(timeouts.over(start + request_time, false));
  CHECK(timeouts.over(start + request_time + Duration(1), false));
  CHECK(request_time < promise);
}

TEST_CASE("page: a watcher that takes nothing is over well within ten seconds, one that takes some is not") {
  Timeouts timeouts(start);
  timeouts.enter(Phase::stream, start);
  CHECK_FALSE(timeouts.over(start + 3600 * second, false));  // nothing waits for it
  timeouts.moved(start + 3600 * second);
  CHECK_FALSE(timeouts.over(start + 3600 * second + stall_time, true));
  CHECK(timeouts.over(start + 3600 * second + stall_time + sweep_every, true));
  timeouts.moved(start + 3604 * second);
  CHECK_FALSE(timeouts.over(start + 3604 * second + stall_time, true));
  // Filler has its system's buffers full in so many seconds; then it takes nothing.
  CHECK((taken_unread_bytes / filler_bytes + 1) * second + stall_time + live_period + sweep_every <= promise);
}

TEST_CASE("page: a watcher that said what it saw is over when it stops saying so, though its system takes all") {
  Timeouts timeouts(start);
  timeouts.enter(Phase::stream, start);
  CHECK_FALSE(timeouts.tells());
  timeouts.seen(start);
  CHECK(timeouts.tells());
  CHECK_FALSE(timeouts.over(start + seen_time, false));
  CHECK(timeouts.over(start + seen_time + Duration(1), false));
  CHECK(seen_time + sweep_every < promise);
}

TEST_CASE("page: what waits for a client is bounded, in order, and whole") {
  Outbox outbox;
  CHECK(outbox.put(text(backlog_limit + 1)));  // one alone always
  CHECK_FALSE(outbox.put(text(1)));
  outbox.took(backlog_limit + 1);
  CHECK(outbox.empty());
  CHECK(outbox.next().empty());
  CHECK(outbox.put(std::make_shared<const std::string>("abc")));
  CHECK(outbox.put(std::make_shared<const std::string>("")));
  CHECK(outbox.put(std::make_shared<const std::string>("de")));
  std::string all;
  while (!outbox.empty()) {
    all += outbox.next().front();
    outbox.took(1);
  }
  CHECK(all == "abcde");
  CHECK(outbox.bytes() == 0);
}

TEST_CASE("page: a curve keeps ten minutes, a bin a second with its extremes, and knows what is new") {
  Curve curve;
  const UtcTime from{1'767'646'800'000'000};
  std::vector<LivePoint> points;
  for (int i = 0; i < 2 * 700; ++i) points.push_back({from + i * second / 2, i % 2 == 0 ? 10.0 : 20.0});
  curve.add(points);
  REQUIRE(curve.bins().size() == curve_bins);
  CHECK(curve.bins().back().begin == from + 699 * second);
  CHECK(curve.bins().back().lowest_w == 10.0);
  CHECK(curve.bins().back().highest_w == 20.0);
  CHECK(curve.bins().back().mean_w() == 15.0);
  CHECK(curve.first_changed() == 0);
  curve.told();
  const LivePoint more[] = {{from + 699 * second, 30.0}, {from + 700 * second, 5.0}};
  curve.add(more);
  CHECK(curve.bins().size() - curve.first_changed() == 2);
  const LivePoint set_back[] = {{from + 650 * second, 7.0}};
  curve.told();
  curve.add(set_back);
  CHECK(curve.bins().back().begin == from + 650 * second);
  CHECK(curve.bins().size() - curve.first_changed() == 1);
}

TEST_CASE("page: hostile names, notes and marks go out as JSON text and read back as they were") {
  const std::string hostile = "</script><script>alert(1)</script>\"'\\\n\xff";
  MeterStatus meter;
  meter.name = hostile;
  meter.state = "recording";
  OpenRun run;
  run.meter = hostile;
  run.device = hostile;
  run.note = hostile;
  run.marks.push_back({UtcTime{1'000}, hostile, SegmentKind::idle});
  const std::string said = state_json(state_of({meter}), {}, {run}, false);
  CHECK(said.find('\n') == std::string::npos);
  const auto json = nlohmann::json::parse(said);
  const std::string expected = "</script><script>alert(1)</script>\"'\\\n\xEF\xBF\xBD";
  CHECK(json.at("meters").at(0).at("name") == expected);
  CHECK(json.at("meters").at(0).at("run").at("device") == expected);
  CHECK(json.at("meters").at(0).at("run").at("marks").at(0).at("text") == expected);
  CHECK(json.at("meters").at(0).at("run").at("level_w").is_null());
}

TEST_CASE("page: the run list is newest first and bounded") {
  std::vector<storage::RunInfo> runs(listed_runs + 7);
  for (std::size_t i = 0; i < runs.size(); ++i) runs[i].id = static_cast<storage::RunId>(i + 1);
  const auto json = nlohmann::json::parse(runs_json(runs, std::vector<Calendar>(runs.size())));
  CHECK(json.at("runs").size() == listed_runs);
  CHECK(json.at("runs").at(0).at("run") == runs.size());
  CHECK(json.at("more") == 7);
}

TEST_CASE("page: metrics count flushes by how long they took, each bucket with those below it") {
  FlushTimes times;
  for (const int ms : {1, 2, 3, 30, 7000}) times.add(std::chrono::milliseconds(ms));
  State state = state_of({});
  state.flushes = counts_of(times);
  const std::string text = metrics_text(state, {}, 4096);
  CHECK(text.find("flush_seconds_bucket{le=\"0.002\"} 2\n") != std::string::npos);
  CHECK(text.find("flush_seconds_bucket{le=\"0.05\"} 4\n") != std::string::npos);
  CHECK(text.find("flush_seconds_bucket{le=\"1.0\"} 4\n") != std::string::npos);
  CHECK(text.find("flush_seconds_bucket{le=\"+Inf\"} 5\n") != std::string::npos);
  CHECK(text.find("flush_seconds_sum 7.036\n") != std::string::npos);
  CHECK(text.find("nightwatt_store_bytes 4096\n") != std::string::npos);
  CHECK(text.ends_with("# EOF\n"));
}

TEST_CASE("page: metrics come as OpenMetrics unless the older text is wanted more (RFC 9110, 12.5.1)") {
  CHECK(metrics_form("") == MetricsForm::open);
  CHECK(metrics_form("*/*") == MetricsForm::open);
  CHECK(metrics_form("application/openmetrics-text;version=1.0.0;q=0.6,text/plain;version=0.0.4;q=0.5,*/*;q=0.1") ==
        MetricsForm::open);
  CHECK(metrics_form("text/plain;version=0.0.4") == MetricsForm::text);
  CHECK(metrics_form("text/plain, application/openmetrics-text;q=0.5") == MetricsForm::text);
  CHECK(metrics_form("text/plainer") == MetricsForm::open);
}

TEST_CASE("page: the older text has no unit lines and no end mark, and calls a counter as its samples") {
  MeterStatus meter;
  meter.name = "bench";
  meter.state = "recording";
  meter.power_w = 25.0;
  meter.voltage_v = 230.5;
  meter.energy_wh = 1234.5;
  const State state = state_of({meter});
  const std::string open = metrics_text(state, {}, 4096);
  CHECK(open.find("# UNIT nightwatt_voltage_volts volts\n") != std::string::npos);
  CHECK(open.find("nightwatt_voltage_volts{meter=\"bench\"} 230.5\n") != std::string::npos);
  CHECK(open.find("nightwatt_energy_watt_hours{meter=\"bench\"} 1234.5\n") != std::string::npos);
  CHECK(open.find("nightwatt_current_amperes{") == std::string::npos);  // the meter gives none
  const std::string older = metrics_text(state, {}, 4096, MetricsForm::text);
  CHECK(older.find("# UNIT") == std::string::npos);
  CHECK(older.find("# EOF") == std::string::npos);
  CHECK(older.find("# TYPE nightwatt_readings_total counter\n") != std::string::npos);
  CHECK(older.find("# TYPE nightwatt_build_info gauge\n") != std::string::npos);
  CHECK(older.find("nightwatt_power_watts{meter=\"bench\"} 25\n") != std::string::npos);
}
