#include "toml_node.hpp"

#include <stdexcept>

// toml++ 3.3 asserts on some malformed input, such as a table header that begins with a sign no key may begin with;
// with assertions off it goes on regardless, so a bad file would be undefined behaviour. Here each assertion is an
// exception: header-only, and NDEBUG off for this file (see CMakeLists.txt).
namespace {
struct AssertionFailed : std::runtime_error {
  using std::runtime_error::runtime_error;
};
[[noreturn]] void refuse_toml() {
  throw AssertionFailed("not valid TOML");
}
}  // namespace
#define TOML_ASSERT(condition) ((condition) ? static_cast<void>(0) : refuse_toml())
#include <toml++/toml.h>
#include <algorithm>
#include <optional>

namespace nightwatt::config {

namespace {

constexpr std::size_t quoted_limit = 60;
constexpr std::size_t description_limit = 200;

Error toml_error(const std::string& file, std::size_t line, const std::string& what, const std::string& remedy) {
  return {ErrorKind::input, file + ":" + std::to_string(line) + ": " + what + "; " + remedy};
}

/// Walks the text as TOML's lexical rules do (strings, comments, brackets) and stops at what the parser must not be
/// given: nesting deeper than settings ever need, and characters its test for white space is undefined for (toml++ 3.3
/// declares most of them unreachable). Up to the first fault the parser would report, it sees the same tokens as the
/// parser.
class Guard {
 public:
  struct Finding {
    std::size_t line;
    std::string_view what;
    std::string_view remedy;
  };

  explicit Guard(std::string_view text) : text_(text) {
    constexpr std::string_view byte_order_mark = "\xEF\xBB\xBF";
    if (text_.substr(0, 3) == byte_order_mark) at_ = 3;
  }

  std::optional<Finding> check() {
    while (at_ < text_.size() && !finding_) {
      const char c = text_[at_];
      if (c == '#') {
        skip_comment();
      } else if (c == '"' || c == '\'') {
        skip_string(c);
      } else {
        check_structure(c);
        ++at_;
      }
    }
    return finding_;
  }

 private:
  static bool is_ascii(char c) { return static_cast<unsigned char>(c) < 0x80; }

  void refuse_depth() { finding_ = {line_, "nested too deeply", "settings need two levels; correct this line"}; }
  void refuse_character() {
    finding_ = {line_, "not valid TOML: a character outside quotes that is not ASCII", "correct this line"};
  }

  void check_structure(char c) {
    if (c == '\n') {
      next_line();
    } else if (c == '[' || c == '{') {
      if (++brackets_ > toml_bracket_limit) refuse_depth();
    } else if (c == ']' || c == '}') {
      if (brackets_ > 0) --brackets_;
    } else if (c == '.') {
      if (++dots_ > toml_dots_a_line_limit) refuse_depth();
    } else if (!is_ascii(c)) {
      refuse_character();
    }
  }

  void next_line() {
    ++line_;
    dots_ = 0;
  }

  void skip_comment() {
    while (at_ < text_.size() && text_[at_] != '\n') ++at_;
  }

  bool three(char quote) const {
    return at_ + 2 < text_.size() && text_[at_] == quote && text_[at_ + 1] == quote && text_[at_ + 2] == quote;
  }

  /// A backslash at the end of a line swallows the white space that follows.
  void skip_escape() {
    ++at_;
    bool swallows = false;
    while (at_ < text_.size() &&
           (text_[at_] == ' ' || text_[at_] == '\t' || text_[at_] == '\r' || text_[at_] == '\n')) {
      if (text_[at_] == '\n') next_line();
      swallows = true;
      ++at_;
    }
    if (at_ < text_.size() && !is_ascii(text_[at_]))
      refuse_character();
    else if (!swallows && at_ < text_.size())
      ++at_;
  }

  void skip_string(char quote) {
    const bool many_lines = three(quote);
    at_ += many_lines ? 3 : 1;
    while (at_ < text_.size() && !finding_) {
      const char c = text_[at_];
      if (c == '\\' && quote == '"') {
        skip_escape();
        continue;
      }
      if (c == '\n') {
        if (!many_lines) return;  // an unfinished string: the parser stops here too
        next_line();
      }
      if (many_lines ? three(quote) : c == quote) {
        at_ += many_lines ? 3 : 1;
        // Up to two quotes may stand before the closing three.
        for (int extra = 0; many_lines && extra < 2 && at_ < text_.size() && text_[at_] == quote; ++extra) ++at_;
        return;
      }
      ++at_;
    }
  }

  std::string_view text_;
  std::size_t at_ = 0;
  std::size_t line_ = 1;
  int brackets_ = 0;
  int dots_ = 0;
  std::optional<Finding> finding_;
};

/// Turns the parser's tree into ours.
class Converter {
 public:
  explicit Converter(std::string_view text) {
    std::size_t begin = 0;
    while (begin <= text.size()) {
      const std::size_t end = std::min(text.find('\n', begin), text.size());
      lines_.push_back(text.substr(begin, end - begin));
      begin = end + 1;
    }
  }

  Node convert(const toml::node& source) const {
    Node node;
    node.line = line_of(source.source(), 1);
    if (const auto* table = source.as_table()) {
      convert_table(*table, node);
    } else if (const auto* array = source.as_array()) {
      node.kind = NodeKind::array;
      for (const toml::node& item : *array) node.items.push_back(convert(item));
    } else if (const auto* text = source.as_string()) {
      node.kind = NodeKind::text;
      node.text = text->get();
    } else if (const auto* integer = source.as_integer()) {
      node.kind = NodeKind::integer;
      node.integer = integer->get();
      node.number = static_cast<double>(node.integer);
      node.text = std::to_string(node.integer);
    } else if (const auto* number = source.as_floating_point()) {
      node.kind = NodeKind::number;
      node.number = number->get();
      node.text = written(source.source());
    } else if (const auto* flag = source.as_boolean()) {
      node.kind = NodeKind::flag;
      node.flag = flag->get();
    } else {
      node.kind = NodeKind::moment;
    }
    return node;
  }

 private:
  static int line_of(const toml::source_region& region, int otherwise) {
    return region.begin.line > 0 ? static_cast<int>(region.begin.line) : otherwise;
  }

  void convert_table(const toml::table& table, Node& node) const {
    node.kind = NodeKind::table;
    for (const auto& [key, value] : table) {
      NodeEntry entry{std::string(key.str()), line_of(key.source(), node.line), convert(value)};
      node.entries.push_back(std::move(entry));
    }
    std::stable_sort(node.entries.begin(), node.entries.end(),
                     [](const NodeEntry& a, const NodeEntry& b) { return a.line < b.line; });
  }

  /// The digits of a number in the file, underscores taken out: a binary float has lost whether 0.1 was 0.1 or 0.10.
  /// Columns count code points, so a line with anything but ASCII before the number gives nothing.
  std::string written(const toml::source_region& region) const {
    if (region.begin.line == 0 || region.begin.line != region.end.line || region.begin.line > lines_.size()) return {};
    const std::string_view line = lines_[region.begin.line - 1];
    if (region.begin.column == 0 || region.end.column <= region.begin.column || region.end.column - 1 > line.size())
      return {};
    const std::string_view before = line.substr(0, region.end.column - 1);
    if (std::any_of(before.begin(), before.end(), [](char c) { return static_cast<unsigned char>(c) >= 0x80; }))
      return {};
    std::string digits;
    for (const char c : before.substr(region.begin.column - 1))
      if (c != '_' && c != ' ' && c != '\t') digits += c;
    return digits;
  }

  std::vector<std::string_view> lines_;
};

/// An assertion has no line: the shortest run of whole lines that fails it ends with the culprit.
std::size_t line_of_assertion(std::string_view text) {
  std::vector<std::size_t> ends;
  for (std::size_t end = text.find('\n'); end != std::string_view::npos; end = text.find('\n', end + 1))
    ends.push_back(end + 1);
  ends.push_back(text.size());
  const auto fails = [&](std::size_t end) {
    try {
      static_cast<void>(toml::parse(text.substr(0, end)));
    } catch (const AssertionFailed&) {
      return true;
    } catch (const std::exception&) {
      return false;
    }
    return false;
  };
  const auto culprit = std::partition_point(ends.begin(), ends.end(), [&](std::size_t end) { return !fails(end); });
  return std::min(static_cast<std::size_t>(culprit - ends.begin()) + 1, ends.size());
}

}  // namespace

const NodeEntry* Node::find(std::string_view key) const {
  const auto found = std::find_if(entries.begin(), entries.end(), [&](const NodeEntry& e) { return e.key == key; });
  return found == entries.end() ? nullptr : &*found;
}

std::string_view node_kind_words(NodeKind kind) {
  switch (kind) {
    case NodeKind::text:
      return "a text";
    case NodeKind::integer:
      return "a whole number";
    case NodeKind::number:
      return "a number with decimals";
    case NodeKind::flag:
      return "true or false";
    case NodeKind::moment:
      return "a date or time";
    case NodeKind::array:
      return "a list";
    case NodeKind::table:
      return "a table";
  }
  return "a value";
}

std::string printable(std::string_view text, std::size_t limit) {
  std::string out;
  std::size_t length = std::min(limit, text.size());
  // Not in the middle of a character.
  while (length < text.size() && length > 0 && (static_cast<unsigned char>(text[length]) & 0xC0) == 0x80) --length;
  for (const char c : text.substr(0, length)) {
    const auto byte = static_cast<unsigned char>(c);
    out += byte < 0x20 || byte == 0x7F ? '?' : c;
  }
  if (length < text.size()) out += "...";
  return out;
}

std::string in_quotes(std::string_view text) {
  return "\"" + printable(text, quoted_limit) + "\"";
}

Result<Node> read_toml(std::string_view text, const std::string& file) {
  if (text.size() > toml_size_limit)
    return tl::unexpected(toml_error(file, 1, "larger than 1 MiB", "this is not a settings file; name the right one"));
  if (const auto finding = Guard(text).check())
    return tl::unexpected(toml_error(file, finding->line, std::string(finding->what), std::string(finding->remedy)));
  try {
    const toml::table table = toml::parse(text, file);
    return Converter(text).convert(table);
  } catch (const toml::parse_error& error) {
    return tl::unexpected(toml_error(file, std::max<std::size_t>(error.source().begin.line, 1),
                                     "not valid TOML: " + printable(error.description(), description_limit),
                                     "correct this line"));
  } catch (const AssertionFailed&) {
    return tl::unexpected(toml_error(file, line_of_assertion(text), "not valid TOML", "correct this line"));
  } catch (const std::exception& error) {
    return tl::unexpected(
        toml_error(file, 1, "cannot be read: " + printable(error.what(), description_limit), "correct the file"));
  }
}

}  // namespace nightwatt::config
