#include "checked_table.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "measure/signal/decimal.hpp"

namespace nightwatt::config {

namespace {

/// A person reads `0.01`, not `0.010000`.
std::string shortest(double value) {
  std::string text = std::to_string(value);
  if (const auto decimal = Decimal::from_double(value)) text = decimal->text();
  return text;
}

std::string joined(const std::vector<std::string_view>& words) {
  std::string out;
  for (const std::string_view word : words) {
    if (!out.empty()) out += ", ";
    out.append(word);
  }
  return out;
}

/// Levenshtein's distance, to offer the key that was meant.
std::size_t edit_distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> row(b.size() + 1);
  std::iota(row.begin(), row.end(), std::size_t{0});
  for (std::size_t i = 1; i <= a.size(); ++i) {
    std::size_t diagonal = row[0];
    row[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t change = diagonal + (a[i - 1] == b[j - 1] ? 0U : 1U);
      diagonal = row[j];
      row[j] = std::min({change, row[j] + 1, row[j - 1] + 1});
    }
  }
  return row[b.size()];
}

constexpr std::size_t longest_key_compared = 64;

std::string remedy_for_unknown(std::string_view key, const std::vector<std::string>& known) {
  std::string_view nearest;
  std::size_t least = 3;  // two slips of the finger at most
  if (key.size() <= longest_key_compared)
    for (const std::string& candidate : known)
      if (const std::size_t distance = edit_distance(key, candidate); distance < least) {
        least = distance;
        nearest = candidate;
      }
  if (!nearest.empty()) return "did you mean " + in_quotes(nearest) + "?";
  std::string list;
  for (const std::string& candidate : known) list += (list.empty() ? "" : ", ") + candidate;
  return "known here: " + list;
}

bool has_control_characters(std::string_view text) {
  return std::any_of(text.begin(), text.end(), [](char c) {
    const auto byte = static_cast<unsigned char>(c);
    return byte < 0x20 || byte == 0x7F;
  });
}

}  // namespace

CheckedTable::CheckedTable(const Node& table, std::string title, Problems& problems)
    : table_(&table), title_(std::move(title)), problems_(&problems) {}

int CheckedTable::line_of(std::string_view key) const {
  const NodeEntry* entry = table_->find(key);
  return entry == nullptr ? table_->line : entry->line;
}

const Node* CheckedTable::take(std::string_view key) {
  if (std::find(asked_.begin(), asked_.end(), key) == asked_.end()) asked_.emplace_back(key);
  const NodeEntry* entry = table_->find(key);
  return entry == nullptr ? nullptr : &entry->value;
}

const Node* CheckedTable::take(std::string_view key, NodeKind kind, std::string_view example) {
  const Node* node = take(key);
  if (node == nullptr || node->kind == kind) return node;
  wrong_type(key, *node, example);
  return nullptr;
}

void CheckedTable::wrong_type(std::string_view key, const Node& node, std::string_view wanted) {
  problem(key, in_quotes(key) + " is " + std::string(node_kind_words(node.kind)), "write " + std::string(wanted));
}

std::optional<std::string> CheckedTable::text(std::string_view key, std::size_t limit) {
  const Node* node = take(key, NodeKind::text, "a text in quotes");
  if (node == nullptr || !is_fit(key, *node, limit)) return std::nullopt;
  return node->text;
}

std::optional<std::string> CheckedTable::path(std::string_view key, std::size_t limit) {
  auto given = text(key, limit);
  if (given) given = beside(key, *given);
  return given;
}

std::optional<std::string> CheckedTable::secret(std::string_view key, std::size_t limit) {
  auto given = text(key, limit);
  if (given) problems_->note_secret(line_of(key));
  return given;
}

bool CheckedTable::is_fit(std::string_view key, const Node& node, std::size_t limit) {
  if (node.text.empty())
    problem(key, in_quotes(key) + " is empty", "write a text or leave the key out");
  else if (node.text.size() > limit)
    problem(key, in_quotes(key) + " is longer than " + std::to_string(limit) + " bytes", "write a shorter text");
  else if (has_control_characters(node.text))
    problem(key, in_quotes(key) + " has control characters", "take them out");
  else
    return true;
  return false;
}

std::vector<std::string> CheckedTable::texts(std::string_view key, std::size_t limit, std::size_t most) {
  const Node* node = take(key, NodeKind::array, "a list of texts, such as [\"a\", \"b\"]");
  std::vector<std::string> out;
  if (node == nullptr) return out;
  if (node->items.empty() || node->items.size() > most)
    problem(key, in_quotes(key) + " holds " + std::to_string(node->items.size()) + " texts",
            "write 1 to " + std::to_string(most));
  for (const Node& item : node->items) {
    if (out.size() == most) break;
    if (item.kind != NodeKind::text)
      wrong_type(key, item, "a list of texts, such as [\"a\", \"b\"]");
    else if (is_fit(key, item, limit))
      out.push_back(item.text);
  }
  return out;
}

std::vector<double> CheckedTable::numbers(std::string_view key, std::size_t least, std::size_t most) {
  const std::string wanted = "a list of " + std::to_string(least) + " to " + std::to_string(most) + " numbers";
  const Node* node = take(key, NodeKind::array, wanted);
  std::vector<double> out;
  if (node == nullptr) return out;
  for (const Node& item : node->items) {
    const bool number = item.kind == NodeKind::integer || item.kind == NodeKind::number;
    if (!number || !std::isfinite(item.number)) {
      wrong_type(key, item, wanted);
      return {};
    }
    out.push_back(item.number);
  }
  if (out.size() >= least && out.size() <= most) return out;
  problem(key, in_quotes(key) + " holds " + std::to_string(out.size()) + " numbers", "write " + wanted);
  return {};
}

std::optional<bool> CheckedTable::flag(std::string_view key) {
  const Node* node = take(key, NodeKind::flag, "true or false, without quotes");
  if (node == nullptr) return std::nullopt;
  return node->flag;
}

std::optional<std::int64_t> CheckedTable::integer(std::string_view key, IntegerRange range) {
  const std::string wanted = "a whole number from " + std::to_string(range.least) + " to " + std::to_string(range.most);
  const Node* node = take(key, NodeKind::integer, wanted);
  if (node == nullptr) return std::nullopt;
  if (node->integer < range.least || node->integer > range.most) {
    problem(key, in_quotes(key) + " is " + node->text, "write " + wanted);
    return std::nullopt;
  }
  return node->integer;
}

std::optional<double> CheckedTable::number(std::string_view key, Range range) {
  const std::string wanted = "a number " +
                             (range.above_least ? "above " + shortest(range.least) + " and up to "
                                                : "from " + shortest(range.least) + " to ") +
                             shortest(range.most);
  const Node* node = take(key);
  if (node == nullptr) return std::nullopt;
  if (node->kind != NodeKind::integer && node->kind != NodeKind::number) {
    wrong_type(key, *node, wanted);
    return std::nullopt;
  }
  const bool low = range.above_least ? node->number <= range.least : node->number < range.least;
  if (!std::isfinite(node->number) || low || node->number > range.most) {
    problem(key, in_quotes(key) + " is " + (node->text.empty() ? shortest(node->number) : node->text),
            "write " + wanted);
    return std::nullopt;
  }
  return node->number;
}

std::optional<Decimal> CheckedTable::decimal(std::string_view key) {
  const Node* node = take(key);
  if (node == nullptr) return std::nullopt;
  if (node->kind != NodeKind::integer && node->kind != NodeKind::number) {
    wrong_type(key, *node, "a number");
    return std::nullopt;
  }
  auto value = Decimal::parse(node->text);
  if (!value) value = Decimal::from_double(node->number);
  if (!value)
    problem(key, in_quotes(key) + " is " + (node->text.empty() ? "no finite number" : node->text),
            "write a number below 9e9, with at most nine decimals");
  return value;
}

std::optional<CheckedTable> CheckedTable::table(std::string_view key, std::string title) {
  const Node* node = take(key, NodeKind::table, "a table, " + title);
  if (node == nullptr) return std::nullopt;
  return CheckedTable(*node, std::move(title), *problems_);
}

std::vector<CheckedTable> CheckedTable::tables(std::string_view key, const std::string& title) {
  std::vector<CheckedTable> out;
  const Node* node = take(key, NodeKind::array, title + ", in double brackets");
  if (node == nullptr) return out;
  for (const Node& item : node->items) {
    if (item.kind == NodeKind::table) {
      out.emplace_back(item, title, *problems_);
    } else {
      problems_->add(item.line, in_quotes(key) + " holds " + std::string(node_kind_words(item.kind)), "write " + title);
    }
  }
  return out;
}

std::optional<std::size_t> CheckedTable::word(std::string_view key, const std::vector<std::string_view>& words) {
  const Node* node = take(key, NodeKind::text, "one of " + joined(words) + ", in quotes");
  if (node == nullptr) return std::nullopt;
  const auto found = std::find(words.begin(), words.end(), node->text);
  if (found == words.end()) {
    problem(key, in_quotes(key) + " is " + in_quotes(node->text), "write one of " + joined(words));
    return std::nullopt;
  }
  return static_cast<std::size_t>(found - words.begin());
}

void CheckedTable::need(std::string_view key, std::string_view remedy) {
  take(key);
  problems_->add(table_->line, in_quotes(key) + " is missing in " + title_, remedy);
}

void CheckedTable::problem(std::string_view key, std::string_view what, std::string_view remedy) {
  problems_->add(line_of(key), what, remedy);
}

void CheckedTable::refuse(std::string_view key, std::string_view why, std::string_view remedy) {
  if (!has(key)) return;
  take(key);
  problem(key, in_quotes(key) + " " + std::string(why), remedy);
}

void CheckedTable::finish() {
  for (const NodeEntry& entry : table_->entries)
    if (std::find(asked_.begin(), asked_.end(), entry.key) == asked_.end())
      problems_->add(entry.line, "unknown key " + in_quotes(entry.key) + " in " + title_,
                     remedy_for_unknown(entry.key, asked_));
}

}  // namespace nightwatt::config
