// Numbers as bytes and back: variable-length integers, zigzag, and a reader that survives any input.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace nightwatt::storage {

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

 private:
  std::string_view bytes_;
  bool ok_ = true;
};

/// CRC-32 of ISO 3309 (polynomial 04C11DB7 reflected, start and final value FFFFFFFF; "123456789" gives CBF43926).
[[nodiscard]] std::uint32_t crc32(std::string_view bytes);
/// Appends the checksum of what is there, four bytes, lowest first.
void put_crc(std::string& out);
/// What stands before a checksum that fits; nothing if it does not.
[[nodiscard]] std::optional<std::string_view> checked_content(std::string_view bytes);

}  // namespace nightwatt::storage
