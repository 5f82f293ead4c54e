// What is written can be read again, digit for digit.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cstring>
#include <random>

#include "csv/csv_reader.hpp"
#include "csv/csv_writer.hpp"

using namespace nightwatt;
using namespace nightwatt::csv;

TEST_CASE("a reading is written with the meter's own digits and an empty cell for what it lacks") {
  Reading reading{UtcTime{1'767'646'800'250'000}, {}};
  reading.values.set(Quantity::power, Decimal{2500, -2});
  std::string text;
  append_header(text, {Quantity::voltage, Quantity::energy});
  append_row(text, reading, Duration{0}, {Quantity::voltage, Quantity::energy});
  CHECK(text == "time,power_w,voltage_v,energy_wh\n1767646800.25,25.00,,\n");
}

TEST_CASE("any readings written as CSV are read back the same, digits and all") {
  constexpr unsigned seed = 7;
  INFO("seed " << seed);
  std::mt19937_64 random(seed);
  const std::vector<Quantity> others(all_quantities.begin() + 1, all_quantities.end());
  std::vector<Reading> readings;
  std::string text;
  append_header(text, others);
  std::int64_t time = 0;
  for (int i = 0; i < 2000; ++i) {
    time += 1 + static_cast<std::int64_t>(random() % 3'000'000);
    Reading reading{UtcTime{time}, {}};
    for (const Quantity quantity : all_quantities) {
      if (random() % 4 == 0) continue;
      const int exponent = static_cast<int>(random() % 10) - 9;
      const auto mantissa = static_cast<std::int64_t>(random() % 2'000'000'000) - 1'000'000'000;
      reading.values.set(quantity, Decimal{mantissa, static_cast<std::int8_t>(exponent)});
    }
    if (reading.values.empty()) continue;
    append_row(text, reading, Duration{0}, others);
    readings.push_back(reading);
  }
  CsvReader reader("again.csv",
                   [&](std::uint64_t at, std::span<char> buffer) -> Result<std::size_t> {
                     const auto from = static_cast<std::size_t>(std::min<std::uint64_t>(at, text.size()));
                     const std::size_t count = std::min(buffer.size(), text.size() - from);
                     std::memcpy(buffer.data(), text.data() + from, count);
                     return count;
                   },
                   {});
  REQUIRE(reader.find_form());
  std::vector<Reading> again;
  REQUIRE(reader.next(again, readings.size() + 1));
  REQUIRE(again.size() == readings.size());
  for (std::size_t i = 0; i < again.size(); ++i) {
    REQUIRE(again[i] == readings[i]);
    for (const Quantity quantity : all_quantities)
      if (readings[i].values.has(quantity))
        REQUIRE(again[i].values.get(quantity)->text() == readings[i].values.get(quantity)->text());
  }
}
