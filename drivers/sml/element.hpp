// SML binary encoding: one type-length field after the other.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

namespace nightwatt::drivers::sml {

enum class ElementType : std::uint8_t { octets, boolean, integer, natural, list, end };

struct Element {
  ElementType type = ElementType::end;
  std::size_t length = 0;                 ///< bytes, or of a list its elements
  std::span<const std::byte> bytes = {};  ///< none of a list
  /// An optional value that is not there.
  [[nodiscard]] bool absent() const { return type == ElementType::octets && length == 0; }
  /// Numbers of one to eight bytes, whose leading bytes may have been left out. nullopt: no number, or beyond 2^63 - 1.
  [[nodiscard]] std::optional<std::int64_t> number() const;
};

/// Walks over encoded bytes. Once one is wrong, nothing more is given.
class ElementReader {
 public:
  explicit ElementReader(std::span<const std::byte> bytes) : bytes_(bytes) {}
  [[nodiscard]] std::optional<Element> next();
  /// The next element, if it is a list of that many, or more.
  [[nodiscard]] std::optional<std::size_t> list(std::size_t least);
  /// Passes over `count` elements with all that is in them.
  [[nodiscard]] bool skip(std::size_t count = 1);
  [[nodiscard]] std::size_t at() const { return at_; }
  [[nodiscard]] std::span<const std::byte> rest() const { return bytes_.subspan(at_); }

 private:
  std::span<const std::byte> bytes_;
  std::size_t at_ = 0;
};

}  // namespace nightwatt::drivers::sml
