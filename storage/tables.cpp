#include "tables.hpp"

#include <algorithm>
#include <vector>

namespace nightwatt::storage {
namespace {

// A lost row that an index still knows is SQLite's own error where it is read by that index; where all are counted, the
// table itself is asked.
#define NIGHTWATT_COUNTED(since, table, owner, is_owned, same_key, what)                                             \
  Counting {                                                                                                         \
    since, owner, same_key, "SELECT coalesce((SELECT count FROM tally WHERE what = '" table "' AND owner = ?1), 0)", \
        "SELECT count(*) FROM " table " WHERE " is_owned,                                                            \
        "SELECT (SELECT count(*) FROM " table                                                                        \
        " NOT INDEXED) = (SELECT coalesce(sum(count), 0) FROM tally WHERE what = '" table "')",                      \
        what                                                                                                         \
  }

constexpr std::array<TableTraits, table_count> tables = {{
    {Table::stream,
     "stream",
     NIGHTWATT_COUNTED(7, "stream", "0", "?1 = 0", nullptr, "the list of meters and files"),
     {"id, meter, published, newest_us", "NtIi", 0, true, true, 4}},
    {Table::block,
     "block",
     {},  // rows tell of the one before them
     {"stream, first_us, last_us, count, data, before_us, carried", "IIIIiii", 2, false, false, 7}},
    {Table::block_data, "block_data", {}, {"id, bytes", "NB", 0, true, true}},
    {Table::aggregates,
     "sums",
     {},  // rows tell of the one before them
     {"stream, quantity, block_us, count, first_us, last_us, first, last, min, max, mean, m2, energy_wh, gap_us, "
      "before_us",
      "IIIIIIRRRRRRrIi", 3, false, false, 15}},
    {Table::write_buffer,
     "tail",
     NIGHTWATT_COUNTED(7, "tail", "stream", "stream = ?1", nullptr, "the list of newest readings"),
     {"id, stream, bytes, crc", "NIBI", 0, true, true}},
    {Table::quarantine,
     "set_aside",
     NIGHTWATT_COUNTED(7, "set_aside", "0", "?1 = 0", nullptr, "the list of readings that were set aside"),
     {"id, stream, bytes, acknowledged, crc", "NIBii", 0, true, true, 0, 0, 1}},
    {Table::rollup,
     "rollup",
     NIGHTWATT_COUNTED(6, "rollup", "stream", "stream = ?1", nullptr, "what is left of readings by minutes or hours"),
     {"stream, block_us, step_s, bytes", "IIIB", 3, false, true, 4}},
    {Table::run,
     "run",
     NIGHTWATT_COUNTED(6, "run", "0", "?1 = 0", nullptr, "the list of runs"),
     {"id, stream, device, origin, begin_us, end_us, pinned, samples, note, shortest_segment_s, resolution_w, "
      "starting_w, accuracy_percent, accuracy_floor_w, accuracy_class, energy_step_wh, energy_accuracy_percent, "
      "energy_accuracy_floor_wh, energy_accuracy_class, entered_idle_w, entered_load_w",
      "NitIIiIITRrrrrtrrrtrr", 0, true, true, 21}},
    {Table::run_word,
     "run_word",
     NIGHTWATT_COUNTED(6, "run_word", "run", "run = ?1", nullptr, "what is said of a run"),
     {"run, place, key, value", "IItT", 2, false, false, 4}},
    {Table::run_state,
     "run_state",
     NIGHTWATT_COUNTED(6, "run_state", "run", "run = ?1", "run = NEW.run", "the state of a run"),
     {"run, as_of_us, samples, step_w, median_interval_s, segmenter, totals, crc", "NiIRRBBi", 0, true, true, 7}},
    {Table::regime,
     "stretch",
     NIGHTWATT_COUNTED(6, "stretch", "run", "run = ?1", nullptr, "the stretches of a run"),
     {"run, place, count, bytes, crc", "IIIBi", 2, false, true, 4}},
    {Table::sketch,
     "sketch",
     NIGHTWATT_COUNTED(7, "sketch", "run", "run = ?1", nullptr, "the sketches of a run"),
     {"run, place, bytes, crc", "IIBI", 2, false, true, 3}},
    {Table::mark,
     "mark",
     NIGHTWATT_COUNTED(6, "mark", "run", "coalesce(run, 0) = ?1", nullptr, "the list of marks"),
     {"id, run, meter, at_us, text, kind", "NitITi", 0, true, true, 5, 1}},
    {Table::event,
     "event",
     NIGHTWATT_COUNTED(6, "event", "0", "?1 = 0", nullptr, "the list of events"),
     {"id, kind, at_us, meter, detail, amount", "NIItTR", 0, true, true, 5, 1}},
    {Table::utc_offset,
     "shift",
     NIGHTWATT_COUNTED(6, "shift", "stream", "stream = ?1", "stream = NEW.stream AND from_us = NEW.from_us",
                       "how far the clock was off"),
     {"stream, from_us, shift_us", "III", 2, false, false, 3}},
    {Table::value,
     "value",
     NIGHTWATT_COUNTED(7, "value", "0", "?1 = 0", "name = NEW.name", "what the service keeps for itself"),
     {"name, bytes", "TB", 1, false, false, 2}},
}};
#undef NIGHTWATT_COUNTED

constexpr bool in_order() {
  for (std::size_t i = 0; i < tables.size(); ++i)
    if (static_cast<std::size_t>(tables[i].table) != i) return false;
  return true;
}
static_assert(in_order());

std::vector<std::string> columns_of(const Form& form) {
  constexpr std::string_view between = ", ";
  std::vector<std::string> columns;
  const std::string_view text = form.columns;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t end = std::min(text.find(between, at), text.size());
    columns.emplace_back(text.substr(at, end - at));
    at = end + between.size();
  }
  return columns;
}

}  // namespace

const std::array<TableTraits, table_count>& all_tables() {
  return tables;
}

const TableTraits& traits_of(Table table) {
  return tables[static_cast<std::size_t>(table)];
}

std::optional<std::size_t> owner_column(Table table) {
  const TableTraits& traits = traits_of(table);
  if (traits.counting.since == 0) return std::nullopt;
  const std::vector<std::string> columns = columns_of(traits.form);
  const auto owner = std::find(columns.begin(), columns.end(), traits.counting.owner);
  if (owner == columns.end()) return std::nullopt;
  return static_cast<std::size_t>(owner - columns.begin());
}

std::string seal_sql(Table table) {
  const TableTraits& traits = traits_of(table);
  const std::vector<std::string> columns = columns_of(traits.form);
  std::string sql = "row_seal('" + std::string(traits.name) + "'";
  for (std::size_t i = traits.form.sealed_from; i < traits.form.sealed_from + traits.form.sealed; ++i)
    sql += ", " + columns[i];
  return sql + ")";
}

}  // namespace nightwatt::storage
