// Any bytes through the CSV reader: no crash, one line of error, rising times, and the same in one piece or in many.
#include <algorithm>
#include <cstdint>
#include <cstdlib>
#include <cstring>
#include <string_view>

#include "csv/csv_reader.hpp"
#include "csv/csv_writer.hpp"

using namespace nightwatt;

namespace {

struct Outcome {
  std::vector<Reading> readings;
  bool refused = false;
};

void require(bool truth) {
  if (!truth) std::abort();
}

Outcome read(std::string_view bytes, std::size_t chunk, std::size_t most) {
  const auto source = [&](std::uint64_t at, std::span<char> buffer) -> Result<std::size_t> {
    const std::size_t from = std::min<std::size_t>(at, bytes.size());
    const std::size_t count = std::min({buffer.size(), chunk, bytes.size() - from});
    std::memcpy(buffer.data(), bytes.data() + from, count);
    return count;
  };
  csv::FileOptions options;
  options.missing_below_w = -1.0;
  options.zone = "UTC";
  csv::CsvReader reader("fuzz.csv", source, options);
  Outcome outcome;
  const auto refuse = [&](const Error& error) {
    require(error.kind == ErrorKind::input);
    for (const char c : error.message) require(static_cast<unsigned char>(c) >= 0x20 && c != 0x7f);
    require(error.message.rfind("fuzz.csv:", 0) == 0 && error.message.size() < 1000);
    outcome.refused = true;
  };
  if (const auto header = reader.find_form(); !header) {
    refuse(header.error());
    return outcome;
  }
  for (;;) {
    std::vector<Reading> batch;
    if (const auto next = reader.next(batch, most); !next) {
      refuse(next.error());
      return outcome;
    }
    if (batch.empty()) return outcome;
    outcome.readings.insert(outcome.readings.end(), batch.begin(), batch.end());
  }
}

/// What was read can be written and read again.
void round_trip(const std::vector<Reading>& readings) {
  const std::vector<Quantity> others(all_quantities.begin() + 1, all_quantities.end());
  std::string text;
  csv::append_header(text, others);
  for (const Reading& reading : readings) csv::append_row(text, reading, Duration{0}, others);
  const Outcome again = read(text, text.size(), 1000);
  // Alone a few readings may look like days of a spreadsheet, and are then refused.
  require(again.refused || again.readings.size() == readings.size());
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string bytes(data, data + size);
  const Outcome whole = read(bytes, bytes.size() + 1, 1000);
  for (std::size_t i = 1; i < whole.readings.size(); ++i) require(whole.readings[i - 1].time < whole.readings[i].time);
  const Outcome pieces = read(bytes, size % 7 + 1, 1000);
  require(pieces.refused == whole.refused);
  require(pieces.readings == whole.readings);
  if (!whole.refused) {
    for (const Reading& reading : whole.readings) {
      const auto power = reading.values.get(Quantity::power);
      require(!power || power->value() >= -1.0);
    }
    round_trip(whole.readings);
  }
  return 0;
}
