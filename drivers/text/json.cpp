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

  [[nodiscard]] bool opens_object() {
    skip_blanks();
    return !rest_.empty() && rest_[0] == '{';
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

/// What is found on a walk through a line's object and those within it.
struct JsonForm::Search {
  JsonWalk walk;
  Found found{};
  std::uint32_t seen = 0;
  std::size_t count = 0;
  std::size_t doubled = quantity_count;  ///< a read whose key stands twice

  explicit Search(std::string_view line) : walk(line) {}
};

/// An object from its opening brace on. `way` is what leads to it, with a dot at its end. False: it is no object.
bool JsonForm::search_object(Search& search, const std::string& way, int depth) const {
  if (depth > depth_limit || !search.walk.take('{')) return false;
  if (search.walk.take('}')) return true;
  do {
    std::string_view key;
    std::string_view value;
    if (!search.walk.string(key) || !search.walk.take(':')) return false;
    if (way.empty()) search.found.layout = with_name(search.found.layout, key);
    const std::string name = way + std::string(key);
    const bool leads_on = std::any_of(keys_.begin(), keys_.end(),
                                      [&](const std::string& wanted) { return wanted.starts_with(name + "."); });
    if (leads_on && search.walk.opens_object()) {
      if (!search_object(search, name + ".", depth + 1)) return false;
      continue;
    }
    if (!search.walk.value(value)) return false;
    const auto wanted = std::find(keys_.begin(), keys_.end(), name);
    if (wanted == keys_.end()) continue;
    const auto index = static_cast<std::size_t>(wanted - keys_.begin());
    if ((search.seen & (1U << index)) != 0) search.doubled = index;
    search.seen |= 1U << index;
    search.found.texts[index] = value;
    ++search.count;
  } while (search.walk.take(','));
  return search.walk.take('}');
}

Found JsonForm::find(std::string_view line) const {
  const bool opens = line.front() == '{';
  if (!opens) return line.back() == '}' ? Found::damage("the beginning of the object is missing") : Found{};
  Search search(line);
  if (!search_object(search, "", 0) || !search.walk.at_end()) return Found::damage("no JSON object");
  if (search.doubled < keys_.size()) return Found::damage("key " + keys_[search.doubled] + " stands twice");
  search.found.kind = kind_for(search.count, keys_.size());
  if (search.found.kind == Found::Kind::damaged) {
    std::size_t missing = 0;
    while ((search.seen & (1U << missing)) != 0) ++missing;
    return Found::damage("key " + keys_[missing] + " is missing");
  }
  return search.found;
}

}  // namespace nightwatt::drivers::text
