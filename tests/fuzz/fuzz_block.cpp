// Hostile bytes where blocks, write buffers, minutes and states are expected: an error or readings in order, never a
// crash.
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string>
#include <vector>

#include "block.hpp"
#include "entropy.hpp"
#include "rollup.hpp"

using namespace nightwatt::storage;

namespace {

/// The checksum would keep the fuzzer out: give the bytes one that fits.
std::string with_crc(std::string_view bytes) {
  std::string out(bytes);
  put_crc(out);
  return out;
}

void require_order(const Columns& columns) {
  for (std::size_t i = 1; i < columns.size(); ++i)
    if (columns.times[i] <= columns.times[i - 1]) std::abort();
}

/// What decodes must survive being written and read again.
void require_round_trip(const Columns& columns) {
  const auto again = decode_block(encode_block(columns, Compression{1}));
  if (!again || again->times != columns.times) std::abort();
  for (std::size_t q = 0; q < nightwatt::quantity_count; ++q) {
    const Columns::Column& a = columns.columns[q];
    const Columns::Column& b = again->columns[q];
    if (a.count != b.count) std::abort();
    for (std::size_t row = 0; a.count != 0 && row < columns.size(); ++row)
      if (a.present[row] != b.present[row] ||
          (a.present[row] != 0 && (a.mantissas[row] != b.mantissas[row] || a.exponents[row] != b.exponents[row])))
        std::abort();
  }
}

/// Any numbers, and as many of their bytes as the fuzzer likes to be the same.
void require_code(std::string_view bytes) {
  if (bytes.empty()) return;
  const std::size_t width = 1 + static_cast<unsigned char>(bytes.front()) % 8;
  std::vector<std::uint64_t> numbers;
  for (std::size_t at = 1; at + width <= bytes.size(); at += width) {
    std::uint64_t number = 0;
    for (std::size_t i = 0; i < width; ++i) number = number << 8U | static_cast<unsigned char>(bytes[at + i]);
    numbers.push_back(number);
  }
  if (numbers.empty()) return;
  std::string code;
  Frequencies(numbers).put(code, numbers);
  nightwatt::ByteReader in(code);
  if (take_coded(in, numbers.size()) != numbers || !in.at_end()) std::abort();
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size == 0) return 0;
  const std::string_view bytes(reinterpret_cast<const char*>(data) + 1, size - 1);
  switch (data[0] % 6) {
    case 0:
      if (const auto columns = decode_block(with_crc(bytes))) {
        require_order(*columns);
        require_round_trip(*columns);
      }
      break;
    case 1: {
      Columns columns;
      if (decode_write_buffer(bytes, columns)) require_round_trip(columns);
      require_order(columns);
      break;
    }
    case 2:
      (void)decode_rollup(with_crc(bytes), minute_s);
      break;
    case 3:
      require_code(bytes);
      break;
    case 4: {
      constexpr std::size_t some = 300;
      nightwatt::ByteReader in(bytes);
      (void)take_coded(in, some);
      break;
    }
    default: {
      constexpr std::size_t limit = 1U << 20U;
      nightwatt::ByteReader in(bytes);
      (void)decompress(in, limit);
      break;
    }
  }
  return 0;
}
