// The live view on a real terminal, and without one.
#include <catch2/catch.hpp>
#include <csignal>
#include <sstream>

#include "comparison.hpp"
#include "harness.hpp"
#include "terminal_program.hpp"

namespace nightwatt::process {
namespace {

constexpr const char* script = "voltage 229.8 noise 0.3\nnoise white 0.4\nenergy 12.5\nlevel 25 for 4h\n";

/// A meter of ten readings a second whose run is open, and the service that records it.
struct Live {
  Bench bench{line_profile(), "shortest_segment_s = 1"};
  Live() {
    bench.start_meter(script, 10.0);
    bench.start_service();
    REQUIRE(eventually(15.0, [this] { return bench.readings() >= 30; }));
    REQUIRE(bench.ask({"begin", "Puffin mini"}).status == 0);
  }
  [[nodiscard]] std::vector<std::string> command(std::vector<std::string> words) const {
    words.insert(words.begin(), {"--config", bench.config()});
    return words;
  }
};

}  // namespace

TEST_CASE("the live view shows the level so far, follows the window's size, and q gives the terminal back") {
  const Live live;
  TerminalProgram view("nightwatt", live.command({"trace", "last", "--follow"}), 100, 30);
  CHECK(view.shows("level so far", 15.0));
  INFO(view.screen().text());
  CHECK(view.screen().alternate());
  CHECK_FALSE(view.screen().cursor());
  CHECK(view.screen().shows("Puffin mini"));
  CHECK(view.screen().shows("± "));
  CHECK(view.screen().shows("1 %"));
  CHECK(view.screen().shows("lowest"));
  view.resize(60, 16);
  CHECK(view.shows("q quits", 5.0));
  CHECK(view.shows("level so far", 5.0));
  CHECK(view.screen().line(15).find("q quits") == 0);
  view.resize(90, 20);
  CHECK(view.shows("q quits", 5.0));
  CHECK(view.screen().line(19).find("q quits") == 0);
  CHECK(view.screen().strange() == 0);
  view.type("q");
  CHECK(view.wait(2.0) == 0);
  CHECK(view.restored());
  CHECK_FALSE(view.screen().alternate());
  CHECK(view.screen().cursor());
}

TEST_CASE("however the live view is ended, the terminal is given back") {
  const Live live;
  struct End {
    const char* how;
    int signal;
    int status;
  };
  for (const End& end :
       {End{"Ctrl-C", 0, 0}, End{"SIGTERM", SIGTERM, 128 + SIGTERM}, End{"SIGHUP", SIGHUP, 128 + SIGHUP}}) {
    INFO(end.how);
    TerminalProgram view("nightwatt", live.command({"status", "--follow"}));
    REQUIRE(view.shows("> bench", 10.0));
    if (end.signal != 0)
      view.signal(end.signal);
    else
      view.type("\x03");
    CHECK(view.wait(2.0) == end.status);
    CHECK(view.restored());
    CHECK_FALSE(view.screen().alternate());
    CHECK(view.screen().cursor());
  }
  TerminalProgram view("nightwatt", live.command({"status", "--follow"}));
  REQUIRE(view.shows("> bench", 10.0));
  view.hang_up();
  CHECK(view.wait(2.0).has_value());
}

TEST_CASE("Ctrl-Z gives the terminal back, and going on draws the view anew") {
  const Live live;
  TerminalProgram view("nightwatt", live.command({"status", "--follow"}));
  REQUIRE(view.shows("> bench", 10.0));
  view.signal(SIGTSTP);
  CHECK(eventually(3.0, [&] {
    view.read();
    return !view.screen().alternate() && view.restored();
  }));
  view.signal(SIGCONT);
  CHECK(eventually(5.0, [&] {
    view.read();
    return view.screen().alternate() && view.screen().shows("> bench");
  }));
  view.type("q");
  CHECK(view.wait(2.0) == 0);
}

TEST_CASE("when the service goes the live view says so and waits, and when it is back it goes on") {
  Live live;
  TerminalProgram view("nightwatt", live.command({"status", "--follow"}));
  REQUIRE(view.shows("recording", 10.0));
  REQUIRE(live.bench.stop_service() == 0);
  CHECK(view.shows("the service is down", 10.0));
  live.bench.start_service();
  CHECK(eventually(10.0, [&] {
    view.read();
    return !view.screen().shows("the service is down") && view.screen().shows("recording");
  }));
  view.type("q");
  CHECK(view.wait(2.0) == 0);
}

TEST_CASE("over a line of 480 bytes a second the view goes on, q works, and the record misses nothing") {
  Live live;
  const double from_s = unix_now_s();
  TerminalProgram view("nightwatt", live.command({"status", "--follow"}));
  // The line itself: so many bytes every 50 ms, and never more.
  const auto slow = [&](double for_s, const std::function<bool()>& enough) {
    double next_s = unix_now_s();
    return eventually(for_s, [&] {
      if (unix_now_s() >= next_s) {
        view.read(24);
        next_s += 0.05;
      }
      return enough();
    });
  };
  CHECK(slow(12.0, [&] { return view.screen().shows("level so far") && view.screen().shows("q quits"); }));
  const std::size_t drawn = view.sent().size();
  CHECK(slow(4.0, [&] { return view.sent().size() > drawn; }));
  const double until_s = unix_now_s() - 0.5;
  const std::size_t before_q = view.sent().size();
  view.type("q");
  CHECK(slow(2.0, [&] { return view.restored(); }));
  CHECK(view.wait(2.0) == 0);
  // How long the line still takes for what lies in it is its own affair; the last of it gives the screen back.
  constexpr std::size_t terminal_holds = 4096;  // Linux: N_TTY_BUF_SIZE, what the reader of a terminal has not fetched
  CHECK(view.sent().find("\x1b[?1049l") != std::string::npos);
  CHECK(view.sent().size() - before_q <= terminal_holds + 64);
  CHECK(live.bench.stop_service() == 0);
  const auto sent = live.bench.sent();
  const auto stored = live.bench.stored();
  const Comparison comparison = compare(sent, stored, 1.0);
  CHECK(comparison.problem == "");
  CHECK(not_stored(sent, comparison, from_s, until_s).empty());
}

TEST_CASE("an update of the live view is some hundred bytes, not a screen") {
  const Live live;
  TerminalProgram view("nightwatt", live.command({"status", "--follow"}));
  REQUIRE(view.shows("level so far", 10.0));
  REQUIRE(eventually(3.0, [&] {
    view.read();
    return view.screen().shows("q quits");
  }));
  const std::size_t before = view.sent().size();
  const double end_s = unix_now_s() + 4.0;
  (void)eventually(5.0, [&] {
    view.read();
    return unix_now_s() > end_s;
  });
  const std::size_t bytes = view.sent().size() - before;
  INFO(bytes << " bytes in 4 s");
  CHECK(bytes > 20);
  CHECK(bytes < 4 * 1000);
}

TEST_CASE("without a terminal the live view is a line a reading, and ends with whoever reads it") {
  const Live live;
  Program program(live.bench.dir(), "nightwatt", live.command({"trace", "last", "--follow", "--every", "0.2"}));
  REQUIRE(eventually(10.0, [&] {
    const std::string out = live.bench.dir().read("nightwatt.out");
    return std::count(out.begin(), out.end(), '\n') >= 4;
  }));
  program.signal(SIGTERM);
  CHECK(program.wait(2.0) == 128 + SIGTERM);
  std::istringstream lines(live.bench.dir().read("nightwatt.out"));
  std::string line;
  while (std::getline(lines, line)) {
    CHECK_THAT(line, Catch::Contains("  bench  run ") && Catch::Contains("(Puffin mini)"));
    CHECK(line.find('\x1b') == std::string::npos);
  }
  const Answer gone = run(live.bench.dir(), "/bin/sh",
                          {"-c", std::string(NIGHTWATT_BIN_DIR) + "/nightwatt --config " + live.bench.config() +
                                     " status --follow --json --every 0.2 | head -n 2"});
  CHECK(std::count(gone.out.begin(), gone.out.end(), '\n') == 2);
  std::istringstream objects(gone.out);
  while (std::getline(objects, line)) CHECK(nlohmann::json::parse(line)["meter"] == "bench");
}

TEST_CASE("a run that has ended, or never was recorded, is not followed") {
  Live live;
  REQUIRE(live.bench.ask({"end"}).status == 0);
  const Answer ended = live.bench.ask({"trace", "1", "--follow"});
  CHECK(ended.status == 1);
  CHECK_THAT(ended.err, Catch::Contains("has ended"));
  CHECK(live.bench.ask({"trace", "99", "--follow"}).status == 1);
  CHECK(live.bench.ask({"trace", "1", "--follow", "--from", "5"}).status == 2);
  CHECK(live.bench.ask({"status", "--follow", "--stale", "5"}).status == 2);
  CHECK(live.bench.ask({"status", "--follow", "--every", "0.01"}).status == 2);
  CHECK(live.bench.ask({"status", "--every", "5"}).status == 2);
}

}  // namespace nightwatt::process
