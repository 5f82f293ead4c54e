#include <algorithm>

#include "text_field.hpp"
#include "text_forms.hpp"

namespace nightwatt::drivers::text {

namespace {

constexpr std::string_view blanks = " \t";
constexpr std::string_view separators = " \t,;";

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}
bool is_letter(char c) {
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}
bool binds(char c) {
  return c == '=' || c == ':';
}

/// Walks through a line, a pair at a time.
class PairWalk {
 public:
  explicit PairWalk(std::string_view line) : rest_(line) {}

  /// The next key and its value; false at the end of the line.
  bool next(std::string_view& key, std::string_view& value) {
    while (true) {
      skip(separators);
      if (rest_.empty()) return false;
      const std::size_t end = std::min(rest_.find_first_of(" \t,;=:"), rest_.size());
      key = take(end);
      skip(blanks);
      if (rest_.empty() || !binds(rest_[0])) continue;  // a word without a value
      rest_.remove_prefix(1);
      skip(blanks);
      value = take(value_length());
      return true;
    }
  }

 private:
  void skip(std::string_view characters) {
    rest_.remove_prefix(std::min(rest_.find_first_not_of(characters), rest_.size()));
  }
  std::string_view take(std::size_t length) {
    const std::string_view text = rest_.substr(0, length);
    rest_.remove_prefix(length);
    return text;
  }

  /// A comma before digits is a decimal one, unless what follows it is the next key.
  [[nodiscard]] bool decimal_comma_at(std::size_t at) const {
    if (rest_[at] != ',' || at == 0 || !is_digit(rest_[at - 1])) return false;
    std::size_t end = at + 1;
    while (end < rest_.size() && is_digit(rest_[end])) ++end;
    if (end == at + 1) return false;
    const std::size_t next = std::min(rest_.find_first_of(" \t,;=:", end), rest_.size());
    return next == rest_.size() || !binds(rest_[next]);
  }

  /// The value with a unit that follows after one blank.
  [[nodiscard]] std::size_t value_length() const {
    std::size_t end = 0;
    while (end < rest_.size() && (separators.find(rest_[end]) == std::string_view::npos || decimal_comma_at(end)))
      ++end;
    std::size_t unit = end;
    while (unit < rest_.size() && blanks.find(rest_[unit]) != std::string_view::npos) ++unit;
    std::size_t unit_end = unit;
    while (unit_end < rest_.size() && (is_letter(rest_[unit_end]) || rest_[unit_end] == '%')) ++unit_end;
    std::size_t after = unit_end;
    while (after < rest_.size() && blanks.find(rest_[after]) != std::string_view::npos) ++after;
    const bool ends_there = unit_end == rest_.size() || separators.find(rest_[unit_end]) != std::string_view::npos;
    const bool is_key = after < rest_.size() && binds(rest_[after]);
    return unit_end > unit && ends_there && !is_key ? unit_end : end;
  }

  std::string_view rest_;
};

}  // namespace

KeyValueForm::KeyValueForm(const std::vector<ReadSpec>& reads) {
  for (const ReadSpec& read : reads) keys_.push_back(read.key);
}

Found KeyValueForm::find(std::string_view line) {
  Found found;
  found.decimal_comma = true;  // PairWalk has told decimal commas from separators
  std::uint32_t seen = 0;
  std::size_t count = 0;
  std::string_view first;
  std::string_view key;
  std::string_view value;
  for (PairWalk walk(line); walk.next(key, value);) {
    if (first.empty()) first = key;
    const auto wanted = std::find(keys_.begin(), keys_.end(), key);
    if (wanted == keys_.end()) continue;
    const auto index = static_cast<std::size_t>(wanted - keys_.begin());
    if ((seen & (1U << index)) != 0) return Found::damage("key " + keys_[index] + " stands twice");
    seen |= 1U << index;
    found.texts[index] = value;
    ++count;
  }
  found.kind = kind_for(count, keys_.size());
  // A cut line may have lost all wanted keys; it still begins as the good ones do.
  if (found.kind == Found::Kind::words && !first_key_.empty() && first == first_key_) found.kind = Found::Kind::damaged;
  if (found.kind == Found::Kind::damaged) {
    std::size_t missing = 0;
    while ((seen & (1U << missing)) != 0) ++missing;
    return Found::damage("key " + keys_[missing] + " is missing");
  }
  if (found.kind == Found::Kind::data) first_key_ = first;
  return found;
}

}  // namespace nightwatt::drivers::text
