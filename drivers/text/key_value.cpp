#include <algorithm>

#include "text/field.hpp"
#include "text/forms.hpp"

namespace nightwatt::drivers::text {

namespace {

bool is_blank(char c) {
  return c == ' ' || c == '\t';
}
bool is_separator(char c) {
  return is_blank(c) || c == ',' || c == ';';
}

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}
bool is_letter(char c) {
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}
bool binds(char c) {
  return c == '=' || c == ':';
}

bool ends_key(char c) {
  return is_separator(c) || binds(c);
}

/// Where from `at` on the first character of a kind stands, or the end.
template <class Kind>
std::size_t find_first(std::string_view text, std::size_t at, Kind&& is_kind) {
  while (at < text.size() && !is_kind(text[at])) ++at;
  return at;
}
/// Where from `at` on the first character of another kind stands, or the end.
template <class Kind>
std::size_t find_other(std::string_view text, std::size_t at, Kind&& is_kind) {
  while (at < text.size() && is_kind(text[at])) ++at;
  return at;
}

/// Walks through a line, a pair at a time.
class PairWalk {
 public:
  explicit PairWalk(std::string_view line) : rest_(line) {}

  /// The next key and its value; false at the end of the line.
  bool next(std::string_view& key, std::string_view& value) {
    while (true) {
      rest_.remove_prefix(find_other(rest_, 0, is_separator));
      if (rest_.empty()) return false;
      key = take(find_first(rest_, 0, ends_key));
      rest_.remove_prefix(find_other(rest_, 0, is_blank));
      if (rest_.empty() || !binds(rest_[0])) continue;  // a word without a value
      rest_.remove_prefix(1);
      rest_.remove_prefix(find_other(rest_, 0, is_blank));
      value = take(value_length());
      return true;
    }
  }

 private:
  std::string_view take(std::size_t length) {
    const std::string_view text = rest_.substr(0, length);
    rest_.remove_prefix(length);
    return text;
  }

  /// A comma before digits is a decimal one, unless what follows it is the next key.
  [[nodiscard]] bool decimal_comma_at(std::size_t at) const {
    if (rest_[at] != ',' || at == 0 || !is_digit(rest_[at - 1])) return false;
    const std::size_t end = find_other(rest_, at + 1, is_digit);
    if (end == at + 1) return false;
    const std::size_t next = find_first(rest_, end, ends_key);
    return next == rest_.size() || !binds(rest_[next]);
  }

  /// The value with a unit that follows after blanks.
  [[nodiscard]] std::size_t value_length() const {
    std::size_t end = 0;
    while (end < rest_.size() && (!is_separator(rest_[end]) || decimal_comma_at(end))) ++end;
    const std::size_t unit = find_other(rest_, end, is_blank);
    const std::size_t unit_end = find_other(rest_, unit, [](char c) { return is_letter(c) || c == '%'; });
    const std::size_t after = find_other(rest_, unit_end, is_blank);
    const bool ends_there = unit_end == rest_.size() || is_separator(rest_[unit_end]);
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
    found.layout = with_name(found.layout, key);
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
