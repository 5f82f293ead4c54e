// One table of a settings file: gives out typed, range-checked values and reports every key nobody asked for.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/decimal.hpp"
#include "measure/signal/profile_table.hpp"
#include "problems.hpp"
#include "toml_node.hpp"

namespace nightwatt::config {

/// A view of a Node; the Node and the Problems must outlive it. Every getter gives nullopt both for a missing key and
/// for a wrong value; the wrong value has then been reported.
class CheckedTable final : public ProfileTable {
 public:
  /// `title` is what a person calls the table: `[store]`, `[[meter]]`, `the top of the file`.
  CheckedTable(const Node& table, std::string title, Problems& problems);

  [[nodiscard]] bool has(std::string_view key) const override { return table_->find(key) != nullptr; }
  [[nodiscard]] int line() const { return table_->line; }
  /// Of the key, or of the table where the key is missing.
  [[nodiscard]] int line_of(std::string_view key) const;
  [[nodiscard]] const std::string& title() const { return title_; }
  /// A relative path as seen from the folder of the file that `key` stands in.
  [[nodiscard]] std::string beside(std::string_view key, const std::string& path) const {
    return problems_->beside(line_of(key), path);
  }

  /// Not empty, without control characters, at most `limit` bytes.
  std::optional<std::string> text(std::string_view key, std::size_t limit) override;
  /// A text that is a path, relative to the folder of the file that names it.
  std::optional<std::string> path(std::string_view key, std::size_t limit);
  /// A text that nobody but the service should be able to read.
  std::optional<std::string> secret(std::string_view key, std::size_t limit);
  /// A list of texts as text() takes them, at least one and at most `most`; empty where missing or wrong.
  std::vector<std::string> texts(std::string_view key, std::size_t limit, std::size_t most) override;
  /// A list of numbers, from `least` to `most` of them; empty where missing or wrong.
  std::vector<double> numbers(std::string_view key, std::size_t least, std::size_t most);
  std::optional<bool> flag(std::string_view key) override;
  std::optional<std::int64_t> integer(std::string_view key, IntegerRange range) override;
  std::optional<double> number(std::string_view key, Range range) override;
  /// A number digit for digit as it was written.
  std::optional<Decimal> decimal(std::string_view key) override;
  std::optional<CheckedTable> table(std::string_view key, std::string title);
  /// `[[key]]`; empty where missing.
  std::vector<CheckedTable> tables(std::string_view key, const std::string& title);
  /// One of `words`, as its place in the list.
  std::optional<std::size_t> word(std::string_view key, const std::vector<std::string_view>& words) override;

  /// Reports a missing key.
  void need(std::string_view key, std::string_view remedy) override;
  /// Reports a problem on a key's line.
  void problem(std::string_view key, std::string_view what, std::string_view remedy) override;
  /// A key that is known but means nothing here; `why` completes "`key` ...".
  void refuse(std::string_view key, std::string_view why, std::string_view remedy);
  /// Reports the keys nobody asked for. Call once, last.
  void finish();

 private:
  bool is_fit(std::string_view key, const Node& node, std::size_t limit);
  const Node* take(std::string_view key);
  const Node* take(std::string_view key, NodeKind kind, std::string_view example);
  void wrong_type(std::string_view key, const Node& node, std::string_view wanted);

  const Node* table_;
  std::string title_;
  Problems* problems_;
  std::vector<std::string> asked_;
};

}  // namespace nightwatt::config
