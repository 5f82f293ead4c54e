#include <algorithm>

#include "text/field.hpp"
#include "text/forms.hpp"

namespace nightwatt::drivers::text {

namespace {

/// Objects and arrays inside the object are stepped over this deep; a meter's line has one or two levels.
constexpr int depth_limit = 16;

/// A walk through one JSON text (RFC 8259) that keeps numbers as written.
class JsonWalk {
 public:
  explicit JsonWalk(std::string_view text) : rest_(text) {}

  [[nodiscard]] bool at_end() {
    skip_blanks();
    return rest_.empty();
  }
  bool take(char c) {
    skip_blanks();
    if (rest_.empty() || rest_[0] != c) return false;
    rest_.remove_prefix(1);
    return true;
  }

  /// A string without its quotes, escapes as written.
  bool string(std::string_view& text) {
    if (!take('"')) return false;
    for (std::size_t i = 0; i < rest_.size(); ++i) {
      if (rest_[i] == '"') {
        text = rest_.substr(0, i);
        rest_.remove_prefix(i + 1);
        return true;
      }
      if (rest_[i] == '\\') ++i;
    }
    return false;
  }

  /// Any value. `text`: a number or word as written, a string's inside, `[` or `{` for what is nested.
  bool value(std::string_view& text, int depth = 0) {
    skip_blanks();
    if (rest_.empty()) return false;
    if (rest_[0] == '"') return string(text);
    if (rest_[0] == '{' || rest_[0] == '[') {
      text = rest_.substr(0, 1);
      return nested(depth + 1);
    }
    const std::size_t end = std::min(rest_.find_first_of(",]} \t"), rest_.size());
    text = rest_.substr(0, end);
    rest_.remove_prefix(end);
    return !text.empty() && text.find('"') == std::string_view::npos;
  }

 private:
  void skip_blanks() { rest_.remove_prefix(std::min(rest_.find_first_not_of(" \t"), rest_.size())); }

  bool nested(int depth) {
    if (depth > depth_limit) return false;
    const bool object = rest_[0] == '{';
    const char close = object ? '}' : ']';
    rest_.remove_prefix(1);
    if (take(close)) return true;
    std::string_view text;
    do {
      if (object && (!string(text) || !take(':'))) return false;
      if (!value(text, depth)) return false;
    } while (take(','));
    return take(close);
  }

  std::string_view rest_;
};

}  // namespace

JsonForm::JsonForm(const std::vector<ReadSpec>& reads) {
  for (const ReadSpec& read : reads) keys_.push_back(read.key);
}

Found JsonForm::find(std::string_view line) const {
  const bool opens = line.front() == '{';
  if (!opens) return line.back() == '}' ? Found::damage("the beginning of the object is missing") : Found{};
  JsonWalk walk(line);
  static_cast<void>(walk.take('{'));
  Found found;
  std::uint32_t seen = 0;
  std::size_t count = 0;
  const auto broken = [] { return Found::damage("no JSON object"); };
  bool more = !walk.take('}');
  while (more) {
    std::string_view key;
    std::string_view value;
    if (!walk.string(key) || !walk.take(':') || !walk.value(value)) return broken();
    found.layout = with_name(found.layout, key);
    const auto wanted = std::find(keys_.begin(), keys_.end(), key);
    if (wanted != keys_.end()) {
      const auto index = static_cast<std::size_t>(wanted - keys_.begin());
      if ((seen & (1U << index)) != 0) return Found::damage("key " + keys_[index] + " stands twice");
      seen |= 1U << index;
      found.texts[index] = value;
      ++count;
    }
    more = walk.take(',');
    if (!more && !walk.take('}')) return broken();
  }
  if (!walk.at_end()) return broken();
  found.kind = kind_for(count, keys_.size());
  if (found.kind == Found::Kind::damaged) {
    std::size_t missing = 0;
    while ((seen & (1U << missing)) != 0) ++missing;
    return Found::damage("key " + keys_[missing] + " is missing");
  }
  return found;
}

}  // namespace nightwatt::drivers::text
