// The power curve of `trace` as a terminal shows it.
#include <catch2/catch.hpp>

#include "text/width.hpp"
#include "tools/query/chart.hpp"

using namespace nightwatt;
using namespace nightwatt::query;

namespace {

std::vector<std::string> lines_of(const std::vector<Bin>& bins, bool colour) {
  std::string text;
  Sink sink(text);
  Style style;
  style.colour = colour;
  write_chart(sink, style, bins, UtcTime{0}, UtcTime{3'600'000'000});
  std::vector<std::string> lines;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t end = text.find('\n', at);
    lines.push_back(text.substr(at, end - at));
    at = end + 1;
  }
  return lines;
}

Bin bin(double lowest_w, double highest_w, SegmentKind kind) {
  return {UtcTime{0}, 5, (lowest_w + highest_w) / 2, lowest_w, highest_w, kind};
}

}  // namespace

TEST_CASE("one reading of a year that peaks is seen, however wide its column is") {
  std::vector<Bin> bins(60, bin(5.0, 5.1, SegmentKind::idle));
  bins[30].highest_w = 100.0;
  const auto lines = lines_of(bins, false);
  std::size_t marked = 0;
  for (const std::string& line : lines)
    if (line.find("░") != std::string::npos && line.find("lowest") == std::string::npos) ++marked;
  CHECK(marked >= 10);  // of twelve rows
}

TEST_CASE("below the curve stands a letter a column for the kind of segment, and a legend names the letters") {
  std::vector<Bin> bins(10, bin(5.0, 5.1, SegmentKind::idle));
  bins[0] = bin(0.0, 0.0, SegmentKind::off);
  bins[9] = bin(20.0, 21.0, SegmentKind::plateau);
  bins[5].samples = 0;
  bins[5].kind = SegmentKind::gap;
  const auto lines = lines_of(bins, false);
  REQUIRE(lines.size() == 15);
  CHECK_THAT(lines[12], Catch::EndsWith("└_iiii.iiiP"));
  CHECK_THAT(lines[14], Catch::Contains("i idle") && Catch::Contains("P plateau") && Catch::Contains(". gap"));
  CHECK(lines[14].find("ramp") == std::string::npos);
}

TEST_CASE("colour follows the style") {
  const std::vector<Bin> bins(10, bin(5.0, 5.1, SegmentKind::idle));
  for (const std::string& line : lines_of(bins, false)) CHECK(line.find('\x1b') == std::string::npos);
  CHECK(lines_of(bins, true)[12].find("\x1b[32m") != std::string::npos);
}

TEST_CASE("no line is wider than the terminal and a record without any power has a chart too") {
  Style style;
  style.columns = 80;
  const std::vector<Bin> bins(chart_columns(style), bin(0.0, 0.0, SegmentKind::off));
  const auto lines = lines_of(bins, false);
  REQUIRE(lines.size() == 15);
  for (const std::string& line : lines) CHECK(text::display_width(line) <= 80);
}
