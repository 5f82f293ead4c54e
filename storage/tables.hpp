// The tables of a store: one list for whoever counts their rows or tells them from others by their form.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace nightwatt::storage {

enum class Table : std::uint8_t {
  stream,
  block,
  block_data,
  aggregates,
  write_buffer,
  quarantine,
  rollup,
  run,
  run_word,
  run_state,
  regime,
  sketch,
  mark,
  event,
  utc_offset,
  value
};

/// How many rows there must be of a table, by its row in `tally`.
struct Counting {
  int since = 0;                   ///< the version of a store from which on its rows are counted; 0: they are not
  const char* owner = nullptr;     ///< the column that says whose a row is; NULL there counts as 0. "0": nobody's
  const char* same_key = nullptr;  ///< true of the row that an INSERT OR REPLACE puts NEW in place of; none: nobody
                                   ///< does that
  const char* told = nullptr;      ///< SQL: how many rows of owner ?1 there must be
  const char* found = nullptr;     ///< and how many there are
  const char* is_all = nullptr;    ///< whether the rows of everybody are all there
  const char* what = nullptr;      ///< for people
};

/// What a row looks like.
struct Form {
  const char* columns;  ///< without the seal, with the sizes of older versions before them
  /// What a column holds: its number in the row's key (N), a whole number (i), a real (r), text (t), bytes (b);
  /// capital: never NULL.
  std::string_view kinds;
  std::size_t keys;        ///< so many columns from the left tell one row from another; 0: the row's number
  bool numbered;           ///< the first column is the row's number
  bool with_id;            ///< always in a table that numbers its rows, whether a column shows that or not
  std::size_t sealed = 0;  ///< so many of the columns are sealed, from `sealed_from` on
  std::size_t sealed_from = 0;
  std::size_t late = 0;  ///< so many columns at the end came after version 4: older rows lack them
};

struct TableTraits {
  Table table;
  const char* name;
  Counting counting;
  Form form;
};

inline constexpr std::size_t table_count = 16;
[[nodiscard]] const std::array<TableTraits, table_count>& all_tables();
[[nodiscard]] const TableTraits& traits_of(Table table);
/// The column of form.columns by which the tally counts its rows; none: they are nobody's, or not counted.
[[nodiscard]] std::optional<std::size_t> owner_column(Table table);
/// SQL: the seal that a row of the table must have, where form.sealed is not 0.
[[nodiscard]] std::string seal_sql(Table table);

}  // namespace nightwatt::storage
