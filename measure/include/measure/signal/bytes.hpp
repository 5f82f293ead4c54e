// Numbers as bytes and back: variable-length integers, zigzag, and a reader that survives any input. For all that a
// store keeps.
#pragma once

#include <bit>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <string>
#include <string_view>

namespace nightwatt {

/// Small magnitudes of either sign become small unsigned numbers: 0, -1, 1, -2 -> 0, 1, 2, 3.
[[nodiscard]] constexpr std::uint64_t zigzag(std::int64_t value) {
  return (static_cast<std::uint64_t>(value) << 1U) ^ (value < 0 ? ~std::uint64_t{0} : std::uint64_t{0});
}
[[nodiscard]] constexpr std::int64_t unzigzag(std::uint64_t value) {
  return static_cast<std::int64_t>((value >> 1U) ^ (~(value & 1U) + 1U));
}
/// a - b and a + b modulo 2^64, so that the extremes of 64 bits survive a difference.
[[nodiscard]] constexpr std::int64_t wrapping_minus(std::int64_t a, std::int64_t b) {
  return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) - static_cast<std::uint64_t>(b));
}
[[nodiscard]] constexpr std::int64_t wrapping_plus(std::int64_t a, std::int64_t b) {
  return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) + static_cast<std::uint64_t>(b));
}

inline void put_byte(std::string& out, unsigned value) {
  out.push_back(static_cast<char>(value & 0xFFU));
}
/// Seven bits a byte, lowest first, the top bit says that another follows; at most ten bytes.
inline void put_varint(std::string& out, std::uint64_t value) {
  while (value >= 0x80U) {
    put_byte(out, static_cast<unsigned>(value & 0x7FU) | 0x80U);
    value >>= 7U;
  }
  put_byte(out, static_cast<unsigned>(value));
}
inline void put_signed(std::string& out, std::int64_t value) {
  put_varint(out, zigzag(value));
}
/// A double's eight bytes, lowest first.
inline void put_real(std::string& out, double value) {
  const auto bits = std::bit_cast<std::uint64_t>(value);
  for (unsigned shift = 0; shift < 64; shift += 8) put_byte(out, static_cast<unsigned>(bits >> shift));
}
inline void put_text(std::string& out, std::string_view value) {
  put_varint(out, value.size());
  out.append(value);
}

/// Takes numbers from the front of bytes nobody vouches for. After the first thing that does not fit, ok() is false and
/// every further number is 0.
class ByteReader {
 public:
  explicit ByteReader(std::string_view bytes) : bytes_(bytes) {}

  [[nodiscard]] bool ok() const { return ok_; }
  [[nodiscard]] bool at_end() const { return bytes_.empty(); }
  void set_bad() { ok_ = false; }

  std::uint8_t byte() {
    if (!ok_ || bytes_.empty()) {
      ok_ = false;
      return 0;
    }
    const auto value = static_cast<std::uint8_t>(bytes_.front());
    bytes_.remove_prefix(1);
    return value;
  }

  std::uint64_t varint() {
    std::uint64_t value = 0;
    for (unsigned shift = 0; shift < 64; shift += 7) {
      const std::uint8_t b = byte();
      if (!ok_) return 0;
      if (shift == 63 && b > 1) break;  // more than 64 bits
      value |= static_cast<std::uint64_t>(b & 0x7FU) << shift;
      if ((b & 0x80U) == 0) return value;
    }
    ok_ = false;
    return 0;
  }

  std::int64_t signed_varint() { return unzigzag(varint()); }

  std::string_view take(std::uint64_t size) {
    if (!ok_ || size > bytes_.size()) {
      ok_ = false;
      return {};
    }
    const std::string_view taken = bytes_.substr(0, static_cast<std::size_t>(size));
    bytes_.remove_prefix(static_cast<std::size_t>(size));
    return taken;
  }

  double real() {
    constexpr std::size_t size = sizeof(double);
    const std::string_view bytes = take(size);
    if (!ok_) return 0.0;
    std::uint64_t bits = 0;
    if constexpr (std::endian::native == std::endian::little) {  // most of what is read of a state
      std::memcpy(&bits, bytes.data(), size);
    } else {
      for (std::size_t i = 0; i < size; ++i)
        bits |= static_cast<std::uint64_t>(static_cast<std::uint8_t>(bytes[i])) << (8 * i);
    }
    return std::bit_cast<double>(bits);
  }

  std::string_view text() { return take(varint()); }

  /// A count of things that take at least `least_bytes` each; more than can be there is refused.
  std::size_t count(std::size_t least_bytes) {
    const std::uint64_t value = varint();
    if (!ok_ || value > bytes_.size() / least_bytes) {
      ok_ = false;
      return 0;
    }
    return static_cast<std::size_t>(value);
  }

 private:
  std::string_view bytes_;
  bool ok_ = true;
};

}  // namespace nightwatt
