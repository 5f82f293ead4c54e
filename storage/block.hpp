// Blocks and tail rows: readings as compressed bytes, exactly, and back.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "columns.hpp"
#include "measure/signal/result.hpp"
#include "packing.hpp"

namespace nightwatt::storage {

/// No block holds more: bounds what hostile bytes can make a reader allocate (about 5 MB).
inline constexpr std::size_t block_readings_limit = 65'536;
/// Times the store takes: year 1 to 9999, so that differences of differences fit 62 bits.
inline constexpr std::int64_t lowest_time_us = -62'135'596'800'000'000;
inline constexpr std::int64_t highest_time_us = 253'402'300'799'999'999;

/// Columns must hold 1 to block_readings_limit readings with rising times in the range above.
/// Of what the store keeps. Level 6 is where more effort stopped paying on year-long records.
inline constexpr Compression block_compression{6};
[[nodiscard]] std::string encode_block(const Columns& columns, Compression compression);
/// Any bytes may come in: an error of kind unusable for all that encode_block() did not write.
[[nodiscard]] Result<Columns> decode_block(std::string_view bytes);

/// Writes readings one after the other into the bytes of one tail row.
class TailEncoder {
 public:
  /// A row of this size fills a page of 512 bytes and needs no second one.
  static constexpr std::size_t row_bytes_limit = 460;

  /// False, and nothing changed, if the row would become longer than the limit. One reading always fits.
  [[nodiscard]] bool push(const Reading& reading);
  [[nodiscard]] const std::string& bytes() const { return bytes_; }

 private:
  friend bool decode_write_buffer(std::string_view bytes, Columns& into);
  struct Shape {
    std::uint16_t present = 0;
    std::array<std::int8_t, quantity_count> exponents{};
    friend bool operator==(const Shape&, const Shape&) = default;
  };
  struct State {
    Shape shape;
    std::int64_t last_time = 0;
    std::int64_t last_step = 0;
    std::array<std::int64_t, quantity_count> last_mantissas{};
  };
  void write(const Reading& reading);
  std::string bytes_;
  State state_;
};

/// Appends a tail row's readings; false (and `into` in an unspecified but valid state) if the bytes are not a tail row.
[[nodiscard]] bool decode_write_buffer(std::string_view bytes, Columns& into);

}  // namespace nightwatt::storage
