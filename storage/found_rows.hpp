// The rows of a damaged store that prove to be ours, by table.
#pragma once

#include <array>
#include <cstdint>
#include <initializer_list>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "page_image.hpp"
#include "tables.hpp"

namespace nightwatt::storage {

/// What the table is for people.
[[nodiscard]] std::string table_words(Table table);

struct SoundRow {
  std::int64_t id = 0;
  std::vector<RowValue> values;  ///< as its form has them, the row's number in its place

  [[nodiscard]] std::int64_t integer(std::size_t column) const;
  [[nodiscard]] std::optional<std::int64_t> integer_or_none(std::size_t column) const;
  [[nodiscard]] std::string text(std::size_t column) const;
  [[nodiscard]] const std::string& blob(std::size_t column) const;
};

/// The key of a row that is told from others by whole numbers, or by its own number.
[[nodiscard]] std::string row_key(std::initializer_list<std::int64_t> numbers);

/// By table; of two rows with one key the first found counts.
using FoundTables = std::array<std::map<std::string, SoundRow>, table_count>;
[[nodiscard]] FoundTables find_sound_rows(const PageImage& image);

/// How many rows of a table the store says there were, by whose they are: a run, a stream, 0 of none. Nothing proves
/// it.
using FoundTally = std::map<std::pair<Table, std::int64_t>, std::int64_t>;
[[nodiscard]] FoundTally find_tally(const PageImage& image);
/// Whether rows that were taken out of their tables before may be among them.
[[nodiscard]] bool removed_may_be_back(const PageImage& image);

}  // namespace nightwatt::storage
