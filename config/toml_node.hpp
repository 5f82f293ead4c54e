// A TOML text as a plain tree in which every key and value knows its line and numbers keep the text they were written
// in.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"

namespace nightwatt::config {

/// A settings file is a page or two; a megabyte is a wrong file, and bounds what the parser may be fed.
inline constexpr std::size_t toml_size_limit = std::size_t{1024} * 1024;
/// Arrays and inline tables inside each other; settings need two.
inline constexpr int toml_bracket_limit = 16;
/// Dots outside strings in one line: `a.b.c` makes a table a dot, and the parser's tree is taken down by recursion.
inline constexpr int toml_dots_a_line_limit = 32;

enum class NodeKind : std::uint8_t { text, integer, number, flag, moment, array, table };

struct NodeEntry;

/// One value. Which members mean something depends on `kind`.
struct Node {
  NodeKind kind = NodeKind::table;
  int line = 1;                    ///< from 1; of a table its header or brace
  std::string text;                ///< a text's value; a number as it was written ("0.050")
  std::int64_t integer = 0;        ///< integer
  double number = 0.0;             ///< integer and number
  bool flag = false;               ///< flag
  std::vector<Node> items;         ///< array
  std::vector<NodeEntry> entries;  ///< table, by line

  [[nodiscard]] const NodeEntry* find(std::string_view key) const;
};

struct NodeEntry {
  std::string key;
  int line = 1;
  Node value;
};

/// What a person calls a kind: "a text", "a whole number", ...
[[nodiscard]] std::string_view node_kind_words(NodeKind kind);

/// A text for a one-line message: control characters as `?`, cut at `limit` bytes.
[[nodiscard]] std::string printable(std::string_view text, std::size_t limit);
/// The same in quotes, cut at 60 bytes.
[[nodiscard]] std::string in_quotes(std::string_view text);

/// Parses TOML 1.0. The message is `file:line: what; what to do`, ErrorKind::input.
[[nodiscard]] Result<Node> read_toml(std::string_view text, const std::string& file);

}  // namespace nightwatt::config
