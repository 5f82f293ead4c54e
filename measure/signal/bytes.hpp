// Little-endian bytes of saved states and stretches: written and read back exactly, doubles included.
#pragma once

#include <bit>
#include <cstdint>
#include <cstring>
#include <string>
#include <string_view>
#include <utility>

namespace nightwatt {

/// Appends to a string.
class ByteWriter {
 public:
  void byte(std::uint8_t value) { bytes_.push_back(static_cast<char>(value)); }
  void raw(std::uint64_t value, int size) {
    for (int i = 0; i < size; ++i) byte(static_cast<std::uint8_t>(value >> (8 * i)));
  }
  void real(double value) { raw(std::bit_cast<std::uint64_t>(value), 8); }
  void whole(std::uint64_t value) {
    while (value >= 0x80) {
      byte(static_cast<std::uint8_t>(value | 0x80));
      value >>= 7;
    }
    byte(static_cast<std::uint8_t>(value));
  }
  void integer(std::int64_t value) {  // zigzag: small magnitudes of either sign stay short
    whole((static_cast<std::uint64_t>(value) << 1) ^ static_cast<std::uint64_t>(value >> 63));
  }
  void text(std::string_view value) {
    whole(value.size());
    bytes_.append(value);
  }
  [[nodiscard]] std::string take() { return std::move(bytes_); }

 private:
  std::string bytes_;
};

/// Reads what ByteWriter wrote; past the end or over-long everything is 0 and ok() is false.
class ByteReader {
 public:
  explicit ByteReader(std::string_view bytes) : bytes_(bytes) {}
  std::uint8_t byte() {
    if (at_ >= bytes_.size()) {
      ok_ = false;
      return 0;
    }
    return static_cast<std::uint8_t>(bytes_[at_++]);
  }
  std::uint64_t raw(int size) {
    std::uint64_t value = 0;
    for (int i = 0; i < size; ++i) value |= static_cast<std::uint64_t>(byte()) << (8 * i);
    return value;
  }
  double real() {
    // Most of what is read: at once where the machine's order is that of the bytes.
    if constexpr (std::endian::native == std::endian::little) {
      if (bytes_.size() - at_ < sizeof(double)) return std::bit_cast<double>(raw(8));
      double value = 0.0;
      std::memcpy(&value, bytes_.data() + at_, sizeof value);
      at_ += sizeof value;
      return value;
    }
    return std::bit_cast<double>(raw(8));
  }
  std::uint64_t whole() {
    std::uint64_t value = 0;
    for (int shift = 0; shift < 64; shift += 7) {
      const std::uint8_t b = byte();
      value |= static_cast<std::uint64_t>(b & 0x7F) << shift;
      if ((b & 0x80) == 0) return value;
    }
    ok_ = false;
    return 0;
  }
  std::int64_t integer() {
    const std::uint64_t z = whole();
    return static_cast<std::int64_t>(z >> 1) ^ -static_cast<std::int64_t>(z & 1);
  }
  std::string_view text() {
    const std::uint64_t size = whole();
    if (!ok_ || size > bytes_.size() - at_) {
      ok_ = false;
      return {};
    }
    const auto length = static_cast<std::size_t>(size);
    const std::string_view value = bytes_.substr(at_, length);
    at_ += length;
    return value;
  }
  /// A count of things that take at least `least_bytes` each; more than can be there is refused.
  std::size_t count(std::size_t least_bytes) {
    const std::uint64_t value = whole();
    if (!ok_ || value > (bytes_.size() - at_) / least_bytes) {
      ok_ = false;
      return 0;
    }
    return static_cast<std::size_t>(value);
  }
  void refuse() { ok_ = false; }
  [[nodiscard]] bool ok() const { return ok_; }
  [[nodiscard]] bool done() const { return ok_ && at_ == bytes_.size(); }

 private:
  std::string_view bytes_;
  std::size_t at_ = 0;
  bool ok_ = true;
};

}  // namespace nightwatt
