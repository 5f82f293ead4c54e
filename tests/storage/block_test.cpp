#include <cmath>
#include <limits>

#include "block.hpp"
#include "entropy.hpp"
#include "helpers.hpp"

using namespace nightwatt;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;

namespace {

std::size_t below(std::mt19937_64& random, std::size_t limit) {
  return static_cast<std::size_t>(random() % limit);
}

Columns columns_of(const std::vector<Reading>& readings) {
  Columns columns;
  for (const Reading& reading : readings) columns.push(reading);
  return columns;
}

void require_round_trip(const std::vector<Reading>& readings) {
  for (const int level : {1, 6}) {
    const std::string bytes = encode_block(columns_of(readings), Compression{level});
    const Columns back = must(decode_block(bytes));
    REQUIRE(back.size() == readings.size());
    for (std::size_t i = 0; i < readings.size(); ++i) {
      INFO("reading " << i);
      REQUIRE(same_digits(back.reading(i), readings[i]));
    }
  }
  Columns from_write_buffer;
  TailEncoder encoder;
  for (const Reading& reading : readings) {
    if (encoder.push(reading)) continue;
    REQUIRE(encoder.bytes().size() <= TailEncoder::row_bytes_limit);
    REQUIRE(decode_write_buffer(encoder.bytes(), from_write_buffer));
    encoder = {};
    REQUIRE(encoder.push(reading));
  }
  REQUIRE(decode_write_buffer(encoder.bytes(), from_write_buffer));
  REQUIRE(from_write_buffer.size() == readings.size());
  for (std::size_t i = 0; i < readings.size(); ++i) REQUIRE(same_digits(from_write_buffer.reading(i), readings[i]));
}

std::vector<Reading> hostile_readings(std::mt19937_64& random) {
  const std::size_t count = 1 + below(random, 400);
  const unsigned time_style = static_cast<unsigned>(random() % 5);
  const unsigned value_style = static_cast<unsigned>(random() % 6);
  const unsigned quantities = static_cast<unsigned>(random() % 512);
  std::int64_t time = time_style == 4 ? lowest_time_us : night_us;
  std::vector<Reading> readings;
  std::array<std::int64_t, quantity_count> walk{};
  for (std::size_t i = 0; i < count; ++i) {
    Reading reading;
    switch (time_style) {
      case 0:
        time += 1'000'000;
        break;
      case 1:
        time += 1'000'000 + static_cast<std::int64_t>(random() % 9) * 1'000;
        break;
      case 2:
        time += 1 + static_cast<std::int64_t>(random() % 2'000'000);
        break;
      case 3:
        time = night_us + static_cast<std::int64_t>(i + 1) * 100'000 + static_cast<std::int64_t>(random() % 30);
        break;
      default:
        time += 1 + static_cast<std::int64_t>(random() % 700'000'000'000'000);
        break;
    }
    reading.time.us = time;
    for (std::size_t q = 0; q < quantity_count; ++q) {
      if ((quantities & (1U << q)) == 0 || random() % 10 == 0) continue;
      Decimal value;
      switch (value_style) {
        case 0:
          value = {static_cast<std::int64_t>(random() % 3), 0};
          break;
        case 1:
          value = {walk[q] += static_cast<std::int64_t>(random() % 21) - 10, -2};
          break;
        case 2:
          value = {static_cast<std::int64_t>(random()), static_cast<std::int8_t>(random() % 19 - 9)};
          break;
        case 3:
          value = {static_cast<std::int64_t>(random() % 1000) - 500,
                   static_cast<std::int8_t>(static_cast<int>(random() % 10) - 9)};
          break;
        case 4:
          value = {
              random() % 2 == 0 ? std::numeric_limits<std::int64_t>::max() : std::numeric_limits<std::int64_t>::min(),
              static_cast<std::int8_t>(random() % 2 == 0 ? -9 : 9)};
          break;
        default:
          value = {static_cast<std::int64_t>(random() % 100'000), static_cast<std::int8_t>(random() % 256)};
          break;
      }
      reading.values.set(all_quantities[q], value);
    }
    readings.push_back(reading);
  }
  return readings;
}

}  // namespace

// The check value of the CRC catalogue entry CRC-32/ISO-HDLC.
TEST_CASE("the checksum of 123456789 is the published one") {
  REQUIRE(crc32("123456789") == 0xCBF43926U);
}

TEST_CASE("any readings come back from a block and from tail rows digit for digit") {
  const auto seed = GENERATE(range(std::uint64_t{1}, std::uint64_t{150}));
  INFO("seed " << seed);
  std::mt19937_64 random(seed);
  require_round_trip(hostile_readings(random));
}

TEST_CASE("a column of any numbers comes back as it was") {
  const auto seed = GENERATE(range(std::uint64_t{1}, std::uint64_t{120}));
  INFO("seed " << seed);
  std::mt19937_64 random(seed);
  std::vector<std::int64_t> values(1 + below(random, 3000));
  const unsigned width = static_cast<unsigned>(random() % 64);
  const std::uint64_t change = 1 + random() % 40;
  std::int64_t value = static_cast<std::int64_t>(random() >> width);
  for (std::int64_t& v : values) {
    if (random() % change == 0) value = static_cast<std::int64_t>(random() >> width);
    v = value;
  }
  std::string bytes;
  pack_column(bytes, values, Compression{3});
  ByteReader in(bytes);
  REQUIRE(unpack_column(in, values.size()) == values);
  REQUIRE(in.ok());
  REQUIRE(in.at_end());
}

TEST_CASE("a block of a quiet night on time costs less than a tenth of a byte a reading") {
  const std::string bytes = encode_block(columns_of(quiet_night(16'384, 1)), Compression{6});
  CAPTURE(bytes.size());
  REQUIRE(bytes.size() < 1'638);
}

// The floor: the entropy of a normal distribution rounded to whole counts, log2(sigma sqrt(2 pi e)) bits (Cover and
// Thomas, "Elements of Information Theory", theorem 8.4.1 and equation 8.28), here of noise of 4 counts.
TEST_CASE("noise costs what its entropy says and at most a hundredth more, about a level that drifts too") {
  const double floor_bytes = std::log2(4.0 * std::sqrt(2.0 * 3.14159265358979 * 2.71828182845905)) / 8.0;
  const bool drifts = GENERATE(false, true);
  const std::int64_t unit = GENERATE(1, 10);  // a meter that sends a last digit which is always 0
  CAPTURE(drifts, unit);
  std::mt19937 random(5);
  std::normal_distribution<double> noise(0.0, 4.0);
  std::vector<std::int64_t> values;
  for (std::size_t i = 0; i < 65'536; ++i)
    values.push_back(unit * std::llround(2'500.0 + (drifts ? static_cast<double>(i) / 300.0 : 0.0) + noise(random)));
  std::string bytes;
  pack_column(bytes, values, Compression{6});
  CHECK(static_cast<double>(bytes.size()) / 65'536.0 < floor_bytes * 1.02);
  ByteReader in(bytes);
  REQUIRE(unpack_column(in, values.size()) == values);
}

// The floor where who reads knows the level: of a display of whole counts that shows a level m with noise of half a
// count, the mean over m of the entropy of round(m + noise), reckoned here by the normal distribution's own function.
TEST_CASE("half a count of noise costs at most a fifth more than where the level is known between two counts") {
  constexpr double sigma = 0.5;
  double floor_bytes = 0.0;
  constexpr int levels = 100;
  for (int i = 0; i < levels; ++i)
    for (int count = -5; count <= 5; ++count) {
      const auto below = [&](double x) {
        return 0.5 * std::erfc((static_cast<double>(i) / levels - x) / sigma / std::sqrt(2.0));
      };
      const double share = below(count + 0.5) - below(count - 0.5);
      if (share > 0.0) floor_bytes -= share * std::log2(share) / 8.0 / levels;
    }
  std::mt19937 random(4);
  std::normal_distribution<double> noise(0.0, sigma);
  std::vector<std::int64_t> values;
  for (std::size_t i = 0; i < 65'536; ++i)
    values.push_back(std::llround(2'500.0 + 5.0 * std::sin(static_cast<double>(i) / 40'000.0) + noise(random)));
  std::string bytes;
  pack_column(bytes, values, Compression{6});
  CAPTURE(floor_bytes, bytes.size());
  CHECK(static_cast<double>(bytes.size()) / 65'536.0 < 1.2 * floor_bytes);
  ByteReader in(bytes);
  REQUIRE(unpack_column(in, values.size()) == values);
}

TEST_CASE("a counter that advances by six to eight costs what which of the three it is says") {
  std::mt19937 random(6);
  std::vector<std::int64_t> values;
  std::int64_t counter = 0;
  for (std::size_t i = 0; i < 16'384; ++i) values.push_back(counter += 6 + static_cast<std::int64_t>(random() % 3));
  std::string bytes;
  pack_column(bytes, values, Compression{6});
  CHECK(static_cast<double>(bytes.size()) * 8.0 < 16'384.0 * std::log2(3.0) * 1.02);
}

TEST_CASE("columns that older programs wrote are read") {
  // By hand, by docs/format.md: runs of form 3 (5 5 5, then 9 9), and offsets of form 1 (7 10 8), bytes as they are.
  const std::string runs("\x03\x0A\x01\x01\x01\x00\x02\x00\x08", 9), offsets("\x01\x0E\x01\x00\x00\x03\x01", 7);
  ByteReader in(runs), more(offsets);
  CHECK(unpack_column(in, 5) == std::vector<std::int64_t>{5, 5, 5, 9, 9});
  CHECK(in.at_end());
  CHECK(unpack_column(more, 3) == std::vector<std::int64_t>{7, 10, 8});
}

TEST_CASE("any numbers come back from their code, in contexts and without") {
  const auto seed = GENERATE(range(std::uint64_t{1}, std::uint64_t{60}));
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  std::vector<std::uint64_t> numbers(1 + below(random, 4'000));
  const unsigned widest = static_cast<unsigned>(random() % 65);
  for (std::size_t i = 0; i < numbers.size(); ++i) {
    const unsigned width =
        seed % 2 == 0 ? widest : static_cast<unsigned>((numbers[i == 0 ? 0 : i - 1] + random() % 3) % 64);
    numbers[i] = width == 0 ? 0 : random() >> (64 - width);
  }
  const Frequencies frequencies(numbers);
  std::string bytes;
  frequencies.put(bytes, numbers);
  CHECK(static_cast<double>(bytes.size()) < 1.2 * frequencies.bytes() + 32.0);
  ByteReader in(bytes);
  REQUIRE(take_coded(in, numbers.size()) == numbers);
  REQUIRE(in.at_end());
}

TEST_CASE("any numbers come back from their code in contexts that their reader knows") {
  const auto seed = GENERATE(range(std::uint64_t{1}, std::uint64_t{20}));
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  std::vector<std::uint64_t> numbers(1'000 + below(random, 4'000));
  std::vector<std::uint8_t> known;
  for (std::uint64_t& number : numbers) {
    known.push_back(static_cast<std::uint8_t>(random() % known_contexts));
    number = 5U * known.back() + random() % (1 + seed % 4);
  }
  const Frequencies frequencies(numbers, known);
  CHECK(frequencies.bytes() < Frequencies(numbers).bytes());
  std::string bytes;
  frequencies.put(bytes, numbers, known);
  ByteReader in(bytes);
  CodeReader reader(in, numbers.size());
  for (std::size_t i = 0; i < numbers.size(); ++i) REQUIRE(reader.next(known[i]) == numbers[i]);
  reader.must_be_done();
  REQUIRE(in.at_end());
  // Who knows nothing cannot read them, and must not take others for them.
  ByteReader again(bytes);
  CHECK(take_coded(again, numbers.size()) != numbers);
}

TEST_CASE("damaged block bytes are refused and never crash") {
  std::mt19937_64 random(7);
  std::vector<Reading> readings = quiet_night(2'000, 3);
  if (GENERATE(false, true))  // a form of column with frequencies
    for (Reading& reading : readings)
      reading.values.set(Quantity::power, Decimal{500 + static_cast<std::int64_t>(random() % 23), -2});
  const std::string good = encode_block(columns_of(readings), Compression{3});
  for (std::size_t size = 0; size < good.size(); size += 7) REQUIRE_FALSE(decode_block(good.substr(0, size)));
  for (int round = 0; round < 20'000; ++round) {
    std::string bad = good;
    for (std::uint64_t flips = 1 + random() % 3; flips > 0; --flips)
      bad[below(random, bad.size())] = static_cast<char>(random() % 256);
    if (bad == good) continue;
    // Half of them with a checksum that fits, so that the insides are met too.
    if (round % 2 == 0) {
      const std::uint32_t crc = crc32(std::string_view(bad).substr(0, bad.size() - 4));
      for (std::size_t i = 0; i < 4; ++i) bad[bad.size() - 4 + i] = static_cast<char>((crc >> (8 * i)) & 0xFFU);
      if (const auto columns = decode_block(bad))
        for (std::size_t i = 1; i < columns->size(); ++i) REQUIRE(columns->times[i] > columns->times[i - 1]);
    } else {
      REQUIRE_FALSE(decode_block(bad));
    }
  }
}

TEST_CASE("damaged tail rows never crash and never give times out of order") {
  std::mt19937_64 random(11);
  TailEncoder encoder;
  for (const Reading& reading : quiet_night(1'000, 5))
    if (!encoder.push(reading)) break;
  for (int round = 0; round < 20'000; ++round) {
    std::string bad = encoder.bytes();
    bad.resize(1 + below(random, bad.size()));
    for (std::uint64_t flips = random() % 4; flips > 0; --flips)
      bad[below(random, bad.size())] = static_cast<char>(random() % 256);
    Columns columns;
    (void)decode_write_buffer(bad, columns);
    for (std::size_t i = 1; i < columns.size(); ++i) REQUIRE(columns.times[i] > columns.times[i - 1]);
  }
}
