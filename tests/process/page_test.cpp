// The status page with bad clients, a taken port and a collector: the record is what the meter sent, whatever they do.
#include <catch2/catch.hpp>
#include <csignal>
#include <random>

#include "comparison.hpp"
#include "harness.hpp"
#include "page_client.hpp"

namespace nightwatt::process {
namespace {

constexpr double late_limit_s = 1.0;

std::string page_section(int port, const std::string& more = "") {
  return "[page]\nlisten = \"127.0.0.1:" + std::to_string(port) + "\"\n" + more;
}

/// A service that records a meter, with a page.
struct Paged {
  int port = free_port();
  Bench bench;
  explicit Paged(const std::string& more = "") : bench(line_profile(), page_section(port, more), 0.2) {
    bench.start_meter("noise white 0.4\nlevel 25 for 2h\n", 20.0);
    bench.start_service();
    REQUIRE(eventually(10.0, [this] { return PageClient(port).connected(); }));
  }
  [[nodiscard]] std::string log() const { return bench.dir().read("nightwattd.err"); }
  void records_on() {
    const long before = bench.readings();
    REQUIRE(before >= 0);
    CHECK(eventually(10.0, [&] { return bench.readings() >= before + 10; }));
  }
  /// Stops it with whatever clients it has; every frame sent meanwhile must be in the store, once and on time.
  void check_record(double from_unix_s) {
    const double until = unix_now_s() - late_limit_s;
    CHECK(bench.stop_service() == 0);
    const auto sent = bench.sent();
    const auto stored = bench.stored();
    const Comparison comparison = compare(sent, stored, late_limit_s);
    CHECK(comparison.problem == "");
    CHECK(not_stored(sent, comparison, from_unix_s, until).empty());
    CHECK(stored.size() > 20);
  }
};

/// Words that are no request, or one that asks too much.
std::string nonsense(std::mt19937& random) {
  const std::string good = "GET / HTTP/1.1\r\nHost: localhost\r\n";
  switch (random() % 9) {
    case 0: {
      std::string noise;
      for (int i = 0; i < 200; ++i) noise += static_cast<char>(random() % 256);
      return noise + "\r\n\r\n";
    }
    case 1:
      return good + "X: " + std::string(20'000, 'x') + "\r\n\r\n";
    case 2:
      return "POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000000000\r\n\r\n" + std::string(10'000, 'x');
    case 3:
      return "POST /runs/1 HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\nffffffffffffffff\r\nx";
    case 4:
      return "GET /" + std::string(random() % 9000, 'a') + " HTTP/1.1\r\nHost: localhost\r\n\r\n";
    case 5:
      return "GET / HTTP/9.9\r\n\r\n";
    case 6:
      return good + "Content-Length: 5\r\nContent-Length: 7\r\nTransfer-Encoding: chunked\r\n\r\nhello";
    case 7:
      return good.substr(0, random() % good.size()) + "\r\n\r\n";
    default:
      return "DELETE /runs/1 HTTP/1.1\r\nHost: evil.example\r\n\r\n";
  }
}

TEST_CASE("page: a thousand malformed requests, slow headers and oversized bodies change nothing in the record") {
  Paged paged;
  REQUIRE(eventually(10.0, [&] { return paged.bench.readings() >= 5; }));
  const double from = unix_now_s();
  const unsigned seed = std::random_device{}();
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::vector<PageClient> slow;
  for (int i = 0; i < 60; ++i) {
    slow.emplace_back(paged.port);
    slow.back().send("GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ");
  }
  for (int i = 0; i < 1000; ++i) {
    PageClient client(paged.port);
    const std::string words = nonsense(random);
    client.send(words);
    if (i % 10 == 0)
      for (const PageClient& one : slow) one.send("x");
    if (i % 20 != 0) continue;
    const std::string answer = client.answer(0.1);
    CAPTURE(words.substr(0, 100), answer.substr(0, 100));
    CHECK((answer.empty() || answer.starts_with("HTTP/1.1 4") || answer.starts_with("HTTP/1.1 200")));
  }
  CHECK(ask_page(paged.port, "/").starts_with("HTTP/1.1 200"));
  CHECK(*metric(paged.port, "nightwatt_page_refused_total") >= 500);
  CHECK(metric(paged.port, "nightwatt_lost_readings_total") == 0.0);
  paged.records_on();
  paged.check_record(from);
}

// RFC 9112 sections 3.2 and 6.3: refused with 400, and what follows is never taken for the next request.
TEST_CASE("page: neither an unknown transfer coding nor a second Host field smuggles a request in") {
  Paged paged;
  const std::string next = "GET /runs.json HTTP/1.1\r\nHost: localhost\r\n\r\n";
  for (const std::string fields :
       {"Host: localhost\r\nTransfer-Encoding: xchunked\r\n", "Host: localhost\r\nTransfer-Encoding: gzip\r\n",
        "Host: localhost\r\nTransfer-Encoding: chunked, identity\r\n", "Host: localhost\r\nTransfer-Encoding: \r\n",
        "Host: localhost\r\nHost: evil.example\r\n"}) {
    PageClient client(paged.port);
    client.send("GET /metrics HTTP/1.1\r\n" + fields + "\r\n" + next);
    const std::string answer = client.answer(5.0);
    CAPTURE(fields, answer.substr(0, 200));
    CHECK(answer.starts_with("HTTP/1.1 400"));
    CHECK(answer.find("HTTP/1.1", 1) == std::string::npos);
    CHECK(answer.find("Connection: close") != std::string::npos);
  }
}

TEST_CASE("page: a client that stops reading is dropped within ten seconds, one that reads is kept") {
  Paged paged;
  PageClient watcher(paged.port), stuck(paged.port);
  for (const PageClient* client : {&watcher, &stuck}) client->send("GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n");
  REQUIRE(eventually(5.0, [&] { return stuck.read() && stuck.got().find("event: state") != std::string::npos; }));
  const double stopped = unix_now_s();
  CHECK(eventually(15.0, [&] {
    CHECK(watcher.read());
    return stuck.dropped();
  }));
  const double took_s = unix_now_s() - stopped;
  CAPTURE(took_s);
  CHECK(took_s < 10.0);
  CHECK_FALSE(watcher.dropped());
  CHECK(metric(paged.port, "nightwatt_page_dropped_streams_total") == 1.0);
  CHECK(metric(paged.port, "nightwatt_page_streams") == 1.0);
  paged.check_record(stopped);  // with the watcher still there
}

TEST_CASE("page: a taken port does not keep the service from recording, is said once, and is had when it is free") {
  auto holder = std::make_unique<PortHolder>();
  Bench bench(line_profile(), page_section(holder->port()), 0.2);
  bench.start_meter("level 25 for 1h\n", 20.0);
  bench.start_service();
  CHECK(eventually(10.0, [&] { return bench.readings() >= 30; }));
  const auto count = [&](const std::string& words) {
    const std::string log = bench.dir().read("nightwattd.err");
    int found = 0;
    for (std::size_t at = log.find(words); at != std::string::npos; at = log.find(words, at + 1)) ++found;
    return found;
  };
  CHECK(count("cannot be had") == 1);
  const int port = holder->port();
  holder.reset();
  CHECK(eventually(10.0, [&] { return ask_page(port, "/").starts_with("HTTP/1.1 200"); }));
  CHECK(count("cannot be had") == 1);
  CHECK(bench.stop_service() == 0);
}

TEST_CASE("page: a reload turns it on, gives it a token and turns it off, without a gap in the record") {
  Bench bench(line_profile(), "", 0.2);
  bench.start_meter("level 25 for 1h\n", 20.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 5; }));
  const double from = unix_now_s();
  const int port = free_port();
  const std::string config = bench.dir().read("nightwatt.toml");
  const auto reload = [&](const std::string& more) {
    bench.dir().write("nightwatt.toml", config + more);
    bench.service().signal(SIGHUP);
  };
  CHECK_FALSE(PageClient(port).connected());
  reload(page_section(port));
  CHECK(eventually(10.0, [&] { return ask_page(port, "/metrics").starts_with("HTTP/1.1 200"); }));
  PageClient watcher(port);
  watcher.send("GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n");
  reload(page_section(port, "token = \"0123456789abcdef\"\n"));
  CHECK(eventually(10.0, [&] { return ask_page(port, "/metrics").starts_with("HTTP/1.1 401"); }));
  CHECK(eventually(2.0, [&] { return !watcher.read(); }));
  CHECK(ask_page(port, "/metrics", "Authorization: Bearer 0123456789abcdef\r\n").starts_with("HTTP/1.1 200"));
  CHECK(ask_page(port, "/?token=0123456789abcdef").starts_with("HTTP/1.1 303"));
  for (int i = 0; i < 5; ++i) CHECK(ask_page(port, "/?token=0123456789abcdeX").starts_with("HTTP/1.1 401"));
  CHECK(ask_page(port, "/?token=0123456789abcdef").starts_with("HTTP/1.1 429"));
  reload("");
  CHECK(eventually(10.0, [&] { return !PageClient(port).connected(); }));
  const double until = unix_now_s() - late_limit_s;
  CHECK(bench.stop_service() == 0);
  const auto sent = bench.sent();
  const Comparison comparison = compare(sent, bench.stored(), late_limit_s);
  CHECK(comparison.problem == "");
  CHECK(not_stored(sent, comparison, from, until).empty());
}

// The parser is prometheus_client's (Debian: python3-prometheus-client), which refuses what the format does not allow.
TEST_CASE("page: metrics are what an independent parser of OpenMetrics takes, and count what was sent") {
  Paged paged;
  REQUIRE(eventually(10.0, [&] { return paged.bench.readings() >= 20; }));
  const std::string answer = ask_page(paged.port, "/metrics");
  CHECK(answer.find("Content-Type: application/openmetrics-text; version=1.0.0; charset=utf-8\r\n") !=
        std::string::npos);
  paged.bench.dir().write("metrics.txt", answer.substr(answer.find("\r\n\r\n") + 4));
  paged.bench.dir().write("parse.py", R"(import sys
try:
    from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse
except ImportError:
    sys.exit(77)
for family in parse(open(sys.argv[1], encoding="utf-8", newline="\n").read()):
    for sample in family.samples:
        print(sample.name, *sample.labels.values(), sample.value)
)");
  const Answer parsed = run(paged.bench.dir(), "/usr/bin/python3",
                            {paged.bench.dir().path("parse.py"), paged.bench.dir().path("metrics.txt")});
  if (parsed.status == 77 || parsed.status == 127) {
    WARN("SKIPPED: no python3-prometheus-client here to check the metrics with; tools/dev install-deps installs it");
    return;
  }
  INFO(parsed.err);
  REQUIRE(parsed.status == 0);
  CHECK(parsed.out.find("nightwatt_readings_total bench ") != std::string::npos);
  CHECK(parsed.out.find("nightwatt_flush_seconds_count ") != std::string::npos);
  CHECK(parsed.out.find("nightwatt_power_watts bench 2") != std::string::npos);
  const long counted = std::stol(parsed.out.substr(parsed.out.find("nightwatt_readings_total bench ") + 31));
  CHECK(counted >= 20);
  CHECK(counted <= static_cast<long>(paged.bench.sent().size()));
  CHECK(paged.bench.stop_service() == 0);
}

TEST_CASE("page: the run list and unknown runs are answered from the store, and shutting down is quick with clients") {
  Paged paged;
  REQUIRE(eventually(10.0, [&] { return paged.bench.readings() >= 5; }));
  const auto first_run = [&] { return ask_page(paged.port, "/runs/1").starts_with("HTTP/1.1 200"); };
  REQUIRE(eventually(10.0, first_run));  // it opened by itself
  REQUIRE(paged.bench.ask({"begin", "<script>alert(1)</script>"}).status == 0);
  paged.records_on();
  const std::string list = ask_page(paged.port, "/runs.json");
  CHECK(list.find("<script>alert(1)</script>") != std::string::npos);
  CHECK(list.find("Content-Type: application/json\r\n") != std::string::npos);
  CHECK(list.find("X-Content-Type-Options: nosniff\r\n") != std::string::npos);
  CHECK(ask_page(paged.port, "/runs/99").starts_with("HTTP/1.1 404"));
  CHECK(ask_page(paged.port, "/runs/x").starts_with("HTTP/1.1 404"));
  // Figures for scripts: the documents of the commands, word for word.
  const auto body = [&](const std::string& path) {
    const std::string answer = ask_page(paged.port, path);
    CHECK(answer.starts_with("HTTP/1.1 200"));
    return answer.substr(std::min(answer.size(), answer.find("\r\n\r\n") + 4));
  };
  const std::string figures = paged.bench.ask({"summary", "1", "--json"}).out;
  CHECK(body("/runs/1.json") == figures.substr(0, figures.find_last_not_of('\n') + 1));
  const std::string segments = paged.bench.ask({"segments", "1", "--json"}).out;
  CHECK(body("/runs/1/segments.json") == segments.substr(0, segments.find_last_not_of('\n') + 1));
  CHECK(body("/compare.json").starts_with("{\"format\": 1, \"devices\": ["));
  CHECK(ask_page(paged.port, "/runs/99.json").starts_with("HTTP/1.1 404"));
  CHECK(ask_page(paged.port, "/x.json").starts_with("HTTP/1.1 404"));
  const std::string report = ask_page(paged.port, "/runs/2");
  CHECK(report.starts_with("HTTP/1.1 200"));
  CHECK(report.find("&lt;script&gt;alert(1)") != std::string::npos);
  CHECK(report.find("<script>alert(1)") == std::string::npos);
  CHECK(report.find("\r\nContent-Security-Policy: default-src 'none'; script-src 'sha256-") != std::string::npos);
  CHECK(report.find("frame-ancestors 'none'\r\n") != std::string::npos);
  std::vector<PageClient> clients;
  for (int i = 0; i < 100; ++i) {
    clients.emplace_back(paged.port);
    clients.back().send(i % 2 == 0 ? "GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n" : "GET /runs.json HTTP/1.1\r\nHo");
  }
  CHECK(eventually(5.0, [&] { return metric(paged.port, "nightwatt_page_streams") == 50.0; }));
  CHECK(paged.bench.stop_service() == 0);
}

}  // namespace
}  // namespace nightwatt::process
