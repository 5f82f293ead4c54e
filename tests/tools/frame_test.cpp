// The way of a frame to a terminal: what one then sees, and how little is sent for it.
#include "tools/query/frame.hpp"

#include <catch2/catch.hpp>
#include <random>

#include "tests/virtual_screen.hpp"

using namespace nightwatt;
using namespace nightwatt::query;
using nightwatt::test::VirtualScreen;

namespace {

std::string seen(const Frame& frame, ScreenSize size) {
  std::string text;
  for (std::size_t row = 0; row < size.rows; ++row) {
    std::string line = row < frame.size() ? line_text(cut_line(frame[row], size.columns), Style{}) : std::string();
    line.erase(line.find_last_not_of(' ') + 1);
    text += line + "\n";
  }
  return text;
}

Frame random_frame(std::mt19937& random, const Frame& before) {
  static const std::vector<std::string> glyphs = {"a", "b", " ", "█", "░", "±", "字", "é", "e\u0301", "12.5 W"};
  Frame frame = before;
  frame.resize(random() % 8);
  for (FrameLine& line : frame) {
    if (random() % 3 == 0) line.clear();
    const std::size_t more = random() % 4;
    for (std::size_t i = 0; i < more; ++i) add(line, glyphs[random() % glyphs.size()], static_cast<Tone>(random() % 9));
  }
  return frame;
}

}  // namespace

TEST_CASE("after every update the terminal shows the frame, whatever it showed before") {
  const unsigned seed = 20260105;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  Screen screen(true);
  ScreenSize size{30, 6};
  VirtualScreen terminal(size.columns, size.rows);
  Frame frame;
  for (int i = 0; i < 2000; ++i) {
    frame = random_frame(random, frame);
    if (random() % 50 == 0) {
      size = {5 + random() % 40, 2 + random() % 8};
      terminal.resize(size.columns, size.rows);
    }
    terminal.feed(screen.update(frame, size));
    REQUIRE(terminal.text() == seen(frame, size));
    REQUIRE(terminal.strange() == 0);
  }
}

TEST_CASE("a frame that did not change sends nothing, a digit that did sends the digit") {
  Screen screen(true);
  const ScreenSize size{80, 24};
  Frame frame = {{{"power ", Tone::plain}, {"25.31 W", Tone::strong}}, {{std::string(70, '#'), Tone::red}}};
  CHECK(screen.update(frame, size).size() > 80);
  CHECK(screen.update(frame, size).empty());
  frame[0][1].text = "25.32 W";
  CHECK(screen.update(frame, size) == "\x1b[1;11H\x1b[1m2\x1b[0m");
  frame[1][0].text = std::string(60, '#');
  CHECK(screen.update(frame, size) == "\x1b[2;61H\x1b[K");
}

TEST_CASE("a change of size draws everything anew") {
  Screen screen(false);
  const Frame frame = {{{"one line of words", Tone::plain}}};
  (void)screen.update(frame, {80, 24});
  const std::string bytes = screen.update(frame, {10, 24});
  CHECK_THAT(bytes, Catch::Contains("\x1b[2J") && Catch::Contains("one line …"));
}

TEST_CASE("a line is cut where the screen ends, also between two of its words") {
  const FrameLine line = {{"abc", Tone::plain}, {"def", Tone::red}};
  const auto cut = [&](std::size_t columns) { return line_text(cut_line(line, columns), Style{}); };
  CHECK(cut(6) == "abcdef");
  CHECK(cut(7) == "abcdef");
  CHECK(cut(5) == "abcd…");
  CHECK(cut(3) == "ab…");
  CHECK(cut(1) == "…");
  CHECK(cut(0).empty());
}
