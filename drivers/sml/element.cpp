#include "sml/element.hpp"

namespace nightwatt::drivers::sml {

namespace {

constexpr unsigned more_follows = 0x80;
constexpr std::size_t most_length_bytes = 4;  // 65535 elements or bytes: eight times a file
constexpr std::size_t widest_number = 8;

std::optional<ElementType> type_of(unsigned nibble) {
  switch (nibble) {
    case 0:
      return ElementType::octets;
    case 4:
      return ElementType::boolean;
    case 5:
      return ElementType::integer;
    case 6:
      return ElementType::natural;
    case 7:
      return ElementType::list;
    default:
      return std::nullopt;
  }
}

}  // namespace

std::optional<std::int64_t> Element::number() const {
  if ((type != ElementType::integer && type != ElementType::natural) || length == 0 || length > widest_number)
    return std::nullopt;
  const bool negative = type == ElementType::integer && (bytes[0] & std::byte{0x80}) != std::byte{0};
  std::uint64_t value = negative ? ~std::uint64_t{0} : 0;
  for (const std::byte byte : bytes) value = (value << 8U) | std::to_integer<std::uint64_t>(byte);
  if (type == ElementType::natural && value > std::uint64_t{INT64_MAX}) return std::nullopt;
  return static_cast<std::int64_t>(value);
}

std::optional<Element> ElementReader::next() {
  if (at_ >= bytes_.size()) return std::nullopt;
  unsigned byte = std::to_integer<unsigned>(bytes_[at_]);
  if (byte == 0) {
    ++at_;
    return Element{};
  }
  const auto type = type_of((byte >> 4U) & 7U);
  if (!type) return std::nullopt;
  std::size_t length = byte & 0x0FU;
  std::size_t length_bytes = 1;
  while ((byte & more_follows) != 0) {
    if (length_bytes == most_length_bytes || at_ + length_bytes >= bytes_.size()) return std::nullopt;
    byte = std::to_integer<unsigned>(bytes_[at_ + length_bytes++]);
    length = length << 4U | (byte & 0x0FU);
  }
  if (*type == ElementType::list) {
    at_ += length_bytes;
    return Element{*type, length, {}};
  }
  // The length counts the bytes that say it.
  if (length < length_bytes || length > bytes_.size() - at_) return std::nullopt;
  const auto content = bytes_.subspan(at_ + length_bytes, length - length_bytes);
  at_ += length;
  return Element{*type, content.size(), content};
}

std::optional<std::size_t> ElementReader::list(std::size_t least) {
  const auto element = next();
  if (!element || element->type != ElementType::list || element->length < least) return std::nullopt;
  return element->length;
}

bool ElementReader::skip(std::size_t count) {
  // Every element takes a byte at least, so a list that claims more than there is ends the walk.
  for (std::size_t left = count; left > 0; --left) {
    const auto element = next();
    if (!element) return false;
    if (element->type == ElementType::list) left += element->length;
  }
  return true;
}

}  // namespace nightwatt::drivers::sml
