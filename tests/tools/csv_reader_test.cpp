// The CSV form of the outside contract ("Import and export"): what is read, and what is refused with its line.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cstdlib>
#include <ctime>
#include <random>

#include "csv/csv_reader.hpp"
#include "csv/csv_writer.hpp"

using namespace nightwatt;
using namespace nightwatt::csv;

namespace {

/// Gives a text in chunks of a size.
ReadAt source_of(std::string text, std::size_t chunk) {
  return [text = std::move(text), chunk](std::uint64_t at, std::span<char> buffer) -> Result<std::size_t> {
    const auto from = static_cast<std::size_t>(std::min<std::uint64_t>(at, text.size()));
    const std::size_t count = std::min({buffer.size(), chunk, text.size() - from});
    std::copy_n(text.begin() + static_cast<std::ptrdiff_t>(from), count, buffer.begin());
    return count;
  };
}

struct Read {
  std::vector<Reading> readings;
  std::uint64_t duplicates = 0;
  std::uint64_t missing = 0;
  std::uint64_t rounded = 0;
  std::uint64_t first_rounded = 0;
  std::uint64_t spread = 0;
  bool coarse = false;
  std::string error;
};

Read read_all(const std::string& text, FileOptions settings = {}, std::size_t chunk = 1 << 20, std::size_t most = 100) {
  CsvReader reader("night.csv", source_of(text, chunk), settings);
  Read read;
  if (auto header = reader.find_form(); !header) {
    CHECK(header.error().kind == ErrorKind::input);
    read.error = header.error().message;
    return read;
  }
  std::vector<Reading> batch;
  do {
    if (auto next = reader.next(batch, most); !next) {
      CHECK(next.error().kind == ErrorKind::input);
      read.error = next.error().message;
      read.coarse = reader.found_coarse_stamps();
      return read;
    }
    read.readings.insert(read.readings.end(), batch.begin(), batch.end());
  } while (!batch.empty());
  read.duplicates = reader.duplicates();
  read.missing = reader.missing();
  read.rounded = reader.rounded();
  read.first_rounded = reader.first_rounded();
  read.spread = reader.spread();
  return read;
}

bool begins(const std::string& text, const std::string& with) {
  return text.compare(0, with.size(), with) == 0;
}

}  // namespace

TEST_CASE("a plain file gives its readings digit for digit") {
  const Read read =
      read_all("# a night at Skerry Point\ntime,power_w,energy_wh\n1767646800,25.02,100.0\n1767646801.25,-3,\n");
  REQUIRE(read.error.empty());
  REQUIRE(read.readings.size() == 2);
  CHECK(read.readings[0].time.us == 1'767'646'800'000'000);
  CHECK(read.readings[0].values.get(Quantity::power)->text() == "25.02");
  CHECK(read.readings[0].values.get(Quantity::energy)->text() == "100.0");
  CHECK(read.readings[1].time.us == 1'767'646'801'250'000);
  CHECK(read.readings[1].values.get(Quantity::power)->value() == -3.0);
  CHECK_FALSE(read.readings[1].values.has(Quantity::energy));
}

TEST_CASE("CRLF, a byte order mark, blanks and blank lines, and a last line without an end are all fine") {
  const Read read = read_all("\xEF\xBB\xBFtime , power_w\r\n0, 1.5\r\n\r\n  \n# note\n1 ,2\t\r\n2,3");
  REQUIRE(read.error.empty());
  REQUIRE(read.readings.size() == 3);
  CHECK(read.readings[2].time.us == 2'000'000);
  CHECK(read.readings[2].values.get(Quantity::power)->value() == 3.0);
}

TEST_CASE("times may be Unix seconds with decimals or ISO 8601") {
  const Read read = read_all(
      "time,power_w\n2026-01-05T21:00:00Z,1\n2026-01-05T22:00:00.5+01:00,2\n1767646801.0000004,3\n1767646801.0000015,"
      "4\n");
  REQUIRE(read.error.empty());
  REQUIRE(read.readings.size() == 4);
  CHECK(read.readings[0].time.us == 1'767'646'800'000'000);
  CHECK(read.readings[1].time.us == 1'767'646'800'500'000);
  CHECK(read.readings[2].time.us == 1'767'646'801'000'000);
  CHECK(read.readings[3].time.us == 1'767'646'801'000'002);
}

TEST_CASE("of equal times with equal values the first counts and the rest are counted") {
  const Read read = read_all("time,power_w\n10,1\n10,1.0\n10.0000001,1\n11,4\n");
  REQUIRE(read.error.empty());
  REQUIRE(read.readings.size() == 2);
  CHECK(read.readings[0].values.get(Quantity::power)->value() == 1.0);
  CHECK(read.duplicates == 2);
}

TEST_CASE("a reading below the drop-out threshold is missing, never power") {
  FileOptions settings;
  settings.missing_below_w = -0.5;
  const Read read = read_all("time,power_w,voltage_v\n1,5,230\n2,-1,230\n3,-2,\n4,-0.5,230\n", settings);
  REQUIRE(read.error.empty());
  REQUIRE(read.readings.size() == 3);
  CHECK_FALSE(read.readings[1].values.has(Quantity::power));
  CHECK(read.readings[1].values.get(Quantity::voltage)->value() == 230.0);
  CHECK(read.readings[2].values.has(Quantity::power));
  CHECK(read.missing == 1);
}

TEST_CASE("values with more decimals than a reading takes are rounded and counted, trailing zeros are none") {
  const Read read = read_all(
      "time,power_w,voltage_v\n1,25.0000000000000,1e-9\n2,25.03333333333,230\n3,-0.1234567891,1e-10\n"
      "4,250333333333e-10,12e-10\n5,25.123456789,1000000000e-9\n");
  REQUIRE(read.error.empty());
  REQUIRE(read.readings.size() == 5);
  CHECK(read.rounded == 5);
  CHECK(read.first_rounded == 3);
  CHECK(read.readings[1].values.get(Quantity::power)->text() == "25.033333333");
}

TEST_CASE(
    "in the hour that comes twice a file in local time is read by its order, and refused where that does not tell") {
  // Central European rules: summer time ends on the last Sunday of October, at 03:00 of it (from memory).
  ::setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3", 1);
  ::tzset();
  const std::string head = "power_w,time\n";
  const Read autumn = read_all(head + "5,2026-10-25T01:59:00\n5,2026-10-25T02:59:00\n5,2026-10-25T02:00:00\n");
  CHECK(autumn.error.empty());
  REQUIRE(autumn.readings.size() == 3);
  CHECK((autumn.readings[2].time - autumn.readings[1].time) == Duration{60'000'000});
  CHECK_THAT(read_all(head + "5,2026-10-25T02:59:00\n5,2026-10-25T02:00:00\n").error, Catch::Contains("--zone"));
  CHECK_THAT(read_all(head + "5,2026-10-25T01:59:00\n5,2026-10-25T02:59:00\n5,2026-10-25T03:00:00\n").error,
             Catch::Contains("--zone"));
  CHECK(read_all(head + "5,2026-10-25T02:59:00+02:00\n5,2026-10-25T02:00:00+01:00\n").error.empty());
  for (const char* later : {"5,2026-10-24T02:58:00\n5,2026-10-24T02:59:00\n5,2026-10-24T02:00:00\n",
                            "5,2026-10-25T02:58:00Z\n5,2026-10-25T02:59:00Z\n5,2026-10-25T02:00:00Z\n",
                            "5,1792889999\n5,1792890000\n5,1792886400\n"})
    CHECK(read_all(head + later).error.find("sort") != std::string::npos);
  ::unsetenv("TZ");
  ::tzset();
}

TEST_CASE("a bad file is refused with its line and what is wrong") {
  const std::string head = "time,power_w\n";
  const std::vector<std::pair<std::string, std::string>> bad = {
      {"", "night.csv:1: the file is empty"},
      {"# only a comment\n", "night.csv:1: there is no header"},
      {"wann,wieviel\n1,2\n", "night.csv:1: no column is called power; its columns are \"wann\", \"wieviel\""},
      {"time,volts\n", "night.csv:1: no column is called power"},
      {"power_w\n1\n", "night.csv:1: no column is called time"},
      {"time,voltage_v\n1,2\n", "night.csv:1: no column is called power"},
      {"time,power_w,voltage_v,voltage_v\n", "night.csv:1: the column \"voltage_v\" is named twice"},
      {head + "1,5\n2,abc\n", "night.csv:3: power_w is \"abc\""},
      {head + "1,inf\n", "night.csv:2: power_w is \"inf\""},
      {head + "1,1e300\n", "night.csv:2: power_w is \"1e300\""},
      {head + "1,0x10\n", "night.csv:2: power_w is \"0x10\""},
      {head + "1,5 V\n", "night.csv:2: power_w is \"5 V\""},
      {head + "noon,5\n", "night.csv:2: time is \"noon\""},
      {head + ",5\n", "night.csv:2: time is \"\""},
      {head + "-1,5\n", "night.csv:2: time is \"-1\""},
      {head + "7258118400,5\n", "night.csv:2: time is \"7258118400\""},
      {head + "99999999999999999999999,5\n", "night.csv:2: time is"},
      {head + "2026-13-05T21:00:00Z,5\n", "night.csv:2: time is"},
      {head + "1,5,6\n", "night.csv:2: the line has more than the 2 columns"},
      {head + "1\n", "night.csv:2: the line has 1 of 2 columns"},
      {head + "4,1\n5,1\n4,1\n", "night.csv:4: the time goes back, from 5 to 4"},
      {head + "1,5\n2,6\r3,7\n", "night.csv:3: "},
      {head + std::string("1,5\0\n", 5), "night.csv:1: there is a NUL byte in it"},
      {head + std::string(5000, '\n') + std::string("1,\0\n", 4),
       "night.csv:5002: power_w is \"\\x00\": there is a NUL byte in it"},
      {head + "1," + std::string(10'000'000, '5') + "\n", "night.csv:2: the line is longer than 65536 bytes"},
      {std::string(10'000'000, 'x'), "night.csv:1: the line is longer than 65536 bytes"},
  };
  for (const auto& [text, message] : bad) {
    const Read read = read_all(text);
    INFO(text.substr(0, 60));
    CHECK_THAT(read.error, Catch::StartsWith(message));
    CHECK(read.error.size() < 400);
    CHECK(std::all_of(read.error.begin(), read.error.end(),
                      [](char c) { return static_cast<unsigned char>(c) >= 0x20; }));
  }
}

TEST_CASE("a line as long as the limit is read and one byte more is refused, in whatever chunks it comes") {
  const std::string head = "time,power_w\n";
  const std::string line = "1,5" + std::string(line_limit - 3, ' ');
  for (const std::size_t chunk : {std::size_t{1} << 20, std::size_t{4096}, std::size_t{4097}, std::size_t{1}}) {
    CHECK(read_all(head + line, {}, chunk).error.empty());
    CHECK(read_all(head + line + "\r\n", {}, chunk).error.empty());
    CHECK(read_all(head + line + " \r\n", {}, chunk).error.find("longer than") != std::string::npos);
    CHECK(read_all(head + line + " ", {}, chunk).error.find("longer than") != std::string::npos);
  }
}

TEST_CASE("the same bytes give the same readings and the same refusal in whatever chunks and batches") {
  constexpr unsigned seed = 20260105;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  for (int round = 0; round < 60; ++round) {
    std::string text = "time,power_w,voltage_v\n";
    for (int i = 0; i < 40; ++i)
      text += std::to_string(i / 2) + "." + std::to_string(i % 2 == 0 ? random() % 5 : 5 + random() % 5) + "," +
              std::to_string(random() % 300) + ",\n";
    if (random() % 2 == 0) text[random() % text.size()] = static_cast<char>(random() % 256);
    const Read whole = read_all(text);
    for (const std::size_t chunk : {std::size_t{1}, std::size_t{7}, std::size_t{64}}) {
      const Read pieces = read_all(text, {}, chunk, 1 + random() % 5);
      CHECK(pieces.error == whole.error);
      if (whole.error.empty()) CHECK(pieces.readings == whole.readings);
      CHECK(pieces.duplicates == whole.duplicates);
    }
  }
}

TEST_CASE("what the source says about a failing disk is passed on") {
  CsvReader reader(
      "night.csv",
      [](std::uint64_t, std::span<char>) -> Result<std::size_t> { return fail(ErrorKind::input, "night.csv: gone"); },
      {});
  const auto header = reader.find_form();
  REQUIRE_FALSE(header);
  CHECK(header.error().message == "night.csv: gone");
}

TEST_CASE("the name of a file is made safe in messages") {
  CsvReader reader("\x1b[31mred.csv", source_of("x\n", 10), {});
  const auto header = reader.find_form();
  REQUIRE_FALSE(header);
  CHECK(begins(header.error().message, "\\x1b[31mred.csv:1:"));
}

TEST_CASE("readings with coarser stamps are spread over the time to the next one, and over no hole") {
  FileOptions options;
  const std::string text = "time,power_w\n10,1\n10,2\n11,3\n11,3\n50,4\n50,4\n51,5\n51,5\n";
  const Read read = read_all(text, options);
  REQUIRE(read.error.empty());
  REQUIRE(read.readings.size() == 8);
  const std::int64_t halves[] = {20, 21, 22, 23, 100, 101, 102, 103};
  for (std::size_t i = 0; i < 8; ++i) CHECK(read.readings[i].time.us == halves[i] * 500'000);
  CHECK(read.spread == 4);
}

TEST_CASE("stamps that prove coarser only far down are found, and the file is read again from its begin") {
  std::string text = "time,power_w\n";
  for (int i = 0; i < 5'000; ++i) text += std::to_string(i) + ",5\n";
  text += "5000,5\n5000,6\n";
  const Read first = read_all(text);
  CHECK(first.coarse);
  CHECK_THAT(first.error, Catch::StartsWith("night.csv:5003: "));
  FileOptions again;
  again.spread = true;
  const Read second = read_all(text, again);
  REQUIRE(second.error.empty());
  CHECK(second.readings.size() == 5'002);
  CHECK(second.readings.back().time.us == 5'000'500'000);
}

TEST_CASE("on the first of January a later day says which number is the month") {
  std::string text = "time,power_w\n";
  for (int i = 0; i < 3'000; ++i) {
    const std::string minute = std::to_string(100 + i / 60 % 60).substr(1);
    const std::string second = std::to_string(100 + i % 60).substr(1);
    text += "01/01/2026 23:" + minute + ":" + second + ",5\n";
  }
  text += "02/01/2026 00:00:00,5\n";
  FileOptions options;
  options.zone = "UTC";
  const Read read = read_all(text, options);
  REQUIRE(read.error.empty());
  CHECK(read.readings.back().time.us == 1'767'312'000'000'000);  // date -u -d 2026-01-02 +%s
}

TEST_CASE("a NUL byte near the front is told in the same words however few bytes come at a time") {
  const std::string text("time,power_w\n\0\0\0\n", 17);
  const std::string whole = read_all(text).error;
  CHECK(whole.find("NUL byte") != std::string::npos);
  for (const std::size_t chunk : {std::size_t{1}, std::size_t{5}}) CHECK(read_all(text, {}, chunk).error == whole);
}

TEST_CASE("a file of many pieces that runs backwards gives the readings of the file that runs on") {
  const std::string head = "time,power_w,note\n";
  std::string on = head, back = head;
  const auto row = [](int i) {
    return std::to_string(1'767'646'800 + i) + "," + std::to_string(i % 97) + ",\"two\nlines\"\n";
  };
  for (int i = 0; i < 20'000; ++i) on += row(i);
  for (int i = 20'000; i-- > 0;) back += row(i);
  const Read forward = read_all(on);
  REQUIRE(forward.error.empty());
  REQUIRE(forward.readings.size() == 20'000);
  CHECK(read_all(back).readings == forward.readings);
}

TEST_CASE("numbers are read with the signs of the file and nothing else") {
  struct Case {
    std::string text;
    std::string power;  ///< of the first reading; empty: refused
  };
  const Case cases[] = {
      {"time;power_w\n1;25,02\n", "25.02"},
      {"time;power_w\n1;1.925,02\n", "1925.02"},
      {"time;power_w\n1;1.234\n", "1.234"},
      {"time;power_w;u\n1;1.234;230,1\n", "1234"},
      {"time;power_w;u\n1;1,234;230.1\n", "1234"},
      {"time;power_w;u\n1;1,234;230,1\n", "1.234"},
      {"time;power_w\n1;0,234\n", "0.234"},
      {"time;power_w\n1;1,2345\n", "1.2345"},
      {"time;power_w\n1;1,234,567\n", "1234567"},
      {"time;power_w\n1;1,234\n", ""},
      {"time;power_w\n1;12,34,5\n", ""},
      {"time;power_w\n1;5 kW\n", "5000"},
      {"time;power_w\n1;5 MW\n", ""},
      {"time;power (mW)\n1;25020\n", "25.020"},
      {"time;power_w\n1;-\n2;7\n", "7"},
  };
  for (const Case& one : cases) {
    INFO(one.text);
    const Read read = read_all(one.text);
    CHECK(read.error.empty() != one.power.empty());
    if (!one.power.empty() && !read.readings.empty())
      CHECK(read.readings[0].values.get(Quantity::power)->value() == Decimal::parse(one.power)->value());
  }
}
