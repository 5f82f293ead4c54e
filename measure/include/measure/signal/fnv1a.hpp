// FNV-1a in 64 bits, by Fowler, Noll and Vo, with its authors' constants: no defence against anybody, only against
// chance.
#pragma once

#include <cstdint>
#include <string_view>

namespace nightwatt {

/// A hash of bytes in their order. Nothing is added between two texts: who needs "ab", "c" to differ from "a", "bc"
/// adds what tells them apart.
class Fnv1a {
 public:
  Fnv1a() = default;
  /// Goes on from a `value()`.
  explicit Fnv1a(std::uint64_t value) : value_(value) {}

  void add(char byte) { add_number(static_cast<unsigned char>(byte)); }
  void add(std::string_view bytes) {
    for (const char byte : bytes) add(byte);
  }
  /// As one byte that may be larger than 255.
  void add_number(std::uint64_t number) { value_ = (value_ ^ number) * prime; }
  [[nodiscard]] std::uint64_t value() const { return value_; }

 private:
  static constexpr std::uint64_t offset_basis = 0xCBF2'9CE4'8422'2325;
  static constexpr std::uint64_t prime = 0x0000'0100'0000'01B3;
  std::uint64_t value_ = offset_basis;
};

}  // namespace nightwatt
