#include "fault_text.hpp"

#include <algorithm>

namespace nightwatt::drivers {

namespace {

constexpr std::string_view hex_digits = "0123456789ABCDEF";

void append_hex(std::string& text, unsigned byte) {
  text += hex_digits[(byte >> 4U) & 0xFU];
  text += hex_digits[byte & 0xFU];
}

}  // namespace

std::string_view fault_kind_name(FaultKind kind) {
  switch (kind) {
    case FaultKind::checksum:
      return "checksum";
    case FaultKind::malformed:
      return "malformed";
    case FaultKind::exception:
      return "exception";
    case FaultKind::mismatch:
      return "mismatch";
    case FaultKind::timeout:
      return "timeout";
    case FaultKind::range:
      return "range";
  }
  return "unknown";
}

Fault make_fault(FaultKind kind, std::uint64_t at_byte, std::string message) {
  if (message.size() > fault_message_limit) message.resize(fault_message_limit);
  return Fault{kind, at_byte, std::move(message)};
}

std::string quoted(std::string_view text, std::size_t limit) {
  std::string out = "\"";
  for (const char c : text.substr(0, limit)) {
    if (c >= ' ' && c <= '~') {
      out += c;
    } else {
      out += "\\x";
      append_hex(out, static_cast<unsigned char>(c));
    }
  }
  out += text.size() > limit ? "\"..." : "\"";
  return out;
}

std::string hex(std::span<const std::byte> bytes, std::size_t limit) {
  std::string out;
  for (const std::byte byte : bytes.first(std::min(limit, bytes.size()))) {
    if (!out.empty()) out += ' ';
    append_hex(out, std::to_integer<unsigned>(byte));
  }
  if (bytes.size() > limit) out += " ..";
  return out;
}

}  // namespace nightwatt::drivers
