#include "capture_file.hpp"

#include <algorithm>
#include <array>
#include <cstdio>

namespace nightwatt::query {
namespace {

constexpr std::size_t bytes_a_line = 32;
/// A line of ours has some 120 characters; one that a person joined may have more.
constexpr std::size_t line_limit = std::size_t{64} * 1024;

std::optional<unsigned> digit_of(char c) {
  if (c >= '0' && c <= '9') return static_cast<unsigned>(c - '0');
  if (c >= 'a' && c <= 'f') return static_cast<unsigned>(c - 'a' + 10);
  if (c >= 'A' && c <= 'F') return static_cast<unsigned>(c - 'A' + 10);
  return std::nullopt;
}

std::vector<std::byte> as_bytes(std::string_view text) {
  std::vector<std::byte> bytes(text.size());
  std::transform(text.begin(), text.end(), bytes.begin(), [](char c) { return static_cast<std::byte>(c); });
  return bytes;
}

}  // namespace

std::string capture_lines(UtcTime begin, UtcTime at, bool sent, std::span<const std::byte> bytes) {
  std::string text;
  std::array<char, 48> time{};
  std::snprintf(time.data(), time.size(), "%+.3f %c", to_seconds(at - begin).value, sent ? '>' : '<');
  constexpr std::string_view digits = "0123456789ABCDEF";
  for (std::size_t i = 0; i < bytes.size(); ++i) {
    if (i % bytes_a_line == 0) text += (i == 0 ? "" : "\n") + std::string(time.data());
    text += ' ';
    text += digits[std::to_integer<std::size_t>(bytes[i] >> 4U)];
    text += digits[std::to_integer<std::size_t>(bytes[i] & std::byte{0x0F})];
  }
  return bytes.empty() ? text : text + "\n";
}

Result<std::vector<std::byte>> CaptureReader::feed(std::span<const char> text) {
  std::vector<std::byte> bytes;
  rest_.append(text.data(), text.size());
  if (!is_capture_) {
    if (rest_.size() <= capture_mark.size() && capture_mark.starts_with(rest_)) return bytes;
    is_capture_ = rest_.starts_with(capture_mark);
  }
  if (!*is_capture_) {
    bytes = as_bytes(rest_);
    rest_.clear();
    return bytes;
  }
  std::size_t begin = 0;
  for (std::size_t end = 0; (end = rest_.find('\n', begin)) != std::string::npos; begin = end + 1) {
    ++line_;
    if (auto taken = take_line(std::string_view(rest_).substr(begin, end - begin), bytes); !taken)
      return tl::unexpected(taken.error());
  }
  rest_.erase(0, begin);
  if (rest_.size() > line_limit)
    return fail(ErrorKind::input, std::to_string(line_ + 1) + ": no line of a capture is as long");
  return bytes;
}

Result<std::vector<std::byte>> CaptureReader::finish() {
  if (rest_.empty()) return std::vector<std::byte>();
  if (!is_capture_.value_or(false)) {
    std::vector<std::byte> bytes = as_bytes(rest_);
    rest_.clear();
    return bytes;
  }
  const std::string end = "\n";
  return feed(end);
}

/// `+0.123 < 1B 1B`; what was sent is no answer, and comments are for people.
Result<void> CaptureReader::take_line(std::string_view line, std::vector<std::byte>& bytes) const {
  if (!line.empty() && line.back() == '\r') line.remove_suffix(1);
  if (line.empty() || line.front() == '#') return {};
  const std::size_t arrow = line.find_first_of("<>");
  const auto wrong = [&] {
    return fail(ErrorKind::input, std::to_string(line_) + ": not a line of a capture (+SECONDS < 1B 1B ...)");
  };
  if (arrow == std::string_view::npos) return wrong();
  if (line[arrow] == '>') return {};
  std::optional<unsigned> high;
  for (const char c : line.substr(arrow + 1)) {
    if (c == ' ') {
      if (high) return wrong();
      continue;
    }
    const auto digit = digit_of(c);
    if (!digit) return wrong();
    if (high) bytes.push_back(static_cast<std::byte>(*high << 4U | *digit));
    high = high ? std::nullopt : digit;
  }
  return high ? wrong() : Result<void>{};
}

}  // namespace nightwatt::query
