#include "records.hpp"

#include <algorithm>
#include <cstring>

namespace nightwatt::csv {
namespace {

constexpr std::size_t first_buffer_bytes = std::size_t{256} << 10;  // twice the longest record, with room
static_assert(first_buffer_bytes > 2 * line_limit);
constexpr std::string_view byte_order_mark = "\xEF\xBB\xBF";

}  // namespace

std::string_view trimmed(std::string_view cell) {
  while (!cell.empty() && (cell.front() == ' ' || cell.front() == '\t')) cell.remove_prefix(1);
  while (!cell.empty() && (cell.back() == ' ' || cell.back() == '\t')) cell.remove_suffix(1);
  return cell;
}

bool is_no_row(const Record& record) {
  return record.text.empty() || record.text.front() == '#' || trimmed(record.text).empty();
}

Records::Records(ReadAt source, char delimiter)
    : source_(std::move(source)), delimiter_(delimiter), buffer_(first_buffer_bytes) {}

void Records::go_to(std::uint64_t offset, std::uint64_t line) {
  offset_ = offset;
  line_ = line;
  begin_ = end_ = 0;
  at_end_ = false;
}

Result<void> Records::refill() {
  std::memmove(buffer_.data(), buffer_.data() + begin_, end_ - begin_);
  offset_ += begin_;
  end_ -= begin_;
  begin_ = 0;
  const auto got = source_(offset_ + end_, std::span(buffer_).subspan(end_));
  if (!got) return tl::unexpected(got.error());
  at_end_ = *got == 0;
  end_ += *got;
  return {};
}

/// Old programs end lines with a carriage return alone: so do those whose first bytes hold no line feed.
Result<void> Records::look() {
  // Enough to see how lines end, in whatever pieces it comes.
  while (!at_end_ && end_ < 2 * line_limit)
    if (auto filled = refill(); !filled) return filled;
  looked_ = true;
  const std::string_view text(buffer_.data(), end_);
  if (text.substr(0, byte_order_mark.size()) == byte_order_mark) begin_ += byte_order_mark.size();
  const std::size_t enough = 2 * line_limit;
  if (text.substr(0, enough).find('\n') == std::string_view::npos && text.find('\r') != std::string_view::npos)
    line_end_ = '\r';
  return {};
}

/// A field may be quoted only from its first character on; a quotation mark elsewhere is one.
bool Records::ends_inside_quotes(std::string_view text) const {
  bool inside = false;
  bool at_begin = true;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if (inside) {
      if (c != '"') continue;
      if (i + 1 < text.size() && text[i + 1] == '"')
        ++i;
      else
        inside = false;
      continue;
    }
    if (c == delimiter_)
      at_begin = true;
    else if (c == '"' && at_begin)
      inside = true, at_begin = false;
    else if (c != ' ' && c != '\t')
      at_begin = false;
  }
  return inside;
}

Result<std::optional<Record>> Records::next() {
  if (!looked_)
    if (auto seen = look(); !seen) return tl::unexpected(seen.error());
  std::size_t searched = 0;
  std::uint64_t lines = 0;
  for (;;) {
    const std::size_t have = end_ - begin_;
    const char* from = buffer_.data() + begin_;
    const std::size_t window = std::min(have, line_limit + 2);
    const void* found = window > searched ? std::memchr(from + searched, line_end_, window - searched) : nullptr;
    if (found == nullptr && have > line_limit + 1) {
      line_ += lines + 1;
      fault_ = lines == 0 ? RecordFault::too_long : RecordFault::open_quote;
      line_ -= lines;
      return std::nullopt;
    }
    if (found == nullptr && !at_end_) {
      searched = have;
      if (auto filled = refill(); !filled) return tl::unexpected(filled.error());
      continue;
    }
    if (found == nullptr && have == 0) return std::nullopt;
    const std::size_t length =
        found != nullptr ? static_cast<std::size_t>(static_cast<const char*>(found) - from) : have;
    std::string_view text(from, length);
    if (line_end_ == '\n' && !text.empty() && text.back() == '\r') text.remove_suffix(1);
    if (text.size() > line_limit) {
      ++line_;
      fault_ = lines == 0 ? RecordFault::too_long : RecordFault::open_quote;
      return std::nullopt;
    }
    const bool quoted = std::memchr(text.data(), '"', text.size()) != nullptr && (text.empty() || text.front() != '#');
    if (quoted && ends_inside_quotes(text)) {
      if (found == nullptr) {
        ++line_;
        fault_ = RecordFault::open_quote;
        return std::nullopt;
      }
      searched = length + 1;
      ++lines;
      continue;
    }
    const Record record{text, line_ + 1, offset_ + begin_, quoted};
    line_ += lines + 1;
    begin_ += length + (found != nullptr ? 1 : 0);
    return record;
  }
}

const std::vector<std::string_view>& Fields::of(const Record& record) {
  fields_.clear();
  if (record.quoted) {
    divide_quoted(record.text);
    return fields_;
  }
  std::string_view rest = record.text;
  if (delimiter_ == ' ') {  // as many as stand there
    for (rest = trimmed(rest); !rest.empty(); rest = trimmed(rest)) {
      const std::size_t end = std::min(rest.find_first_of(" \t"), rest.size());
      fields_.push_back(rest.substr(0, end));
      rest.remove_prefix(end);
    }
    return fields_;
  }
  for (;;) {
    const void* found = rest.empty() ? nullptr : std::memchr(rest.data(), delimiter_, rest.size());
    if (found == nullptr) {
      fields_.push_back(trimmed(rest));
      return fields_;
    }
    const auto length = static_cast<std::size_t>(static_cast<const char*>(found) - rest.data());
    fields_.push_back(trimmed(rest.substr(0, length)));
    rest.remove_prefix(length + 1);
  }
}

void Fields::divide_quoted(std::string_view text) {
  unquoted_.clear();
  unquoted_.reserve(text.size());  // views into it stay good
  std::size_t at = 0;
  for (;;) {
    std::size_t begin = at;
    while (begin < text.size() && text[begin] != delimiter_ && (text[begin] == ' ' || text[begin] == '\t')) ++begin;
    if (begin >= text.size() || text[begin] != '"') {
      const std::size_t end = std::min(text.find(delimiter_, at), text.size());
      fields_.push_back(trimmed(text.substr(at, end - at)));
      if (end == text.size()) return;
      at = end + 1;
      continue;
    }
    const std::size_t first = unquoted_.size();
    std::size_t i = begin + 1;
    for (; i < text.size(); ++i) {
      if (text[i] == '"') {
        if (i + 1 >= text.size() || text[i + 1] != '"') break;
        ++i;
      }
      unquoted_ += text[i];
    }
    // What stands between the closing quote and the delimiter belongs to no field of RFC 4180; it is kept, so that a
    // number with something behind it is none.
    const std::size_t end = std::min(text.find(delimiter_, std::min(i + 1, text.size())), text.size());
    if (i + 1 < end) unquoted_ += trimmed(text.substr(i + 1, end - i - 1));
    fields_.push_back(trimmed(std::string_view(unquoted_).substr(first)));
    if (end == text.size()) return;
    at = end + 1;
  }
}

}  // namespace nightwatt::csv
