#include "tally.hpp"

#include <array>
#include <string>
#include <string_view>

namespace nightwatt::storage {
namespace {

struct CountedTable {
  int since;  ///< the version of a store from which on its rows are counted
  const char* name;
  const char* owner;     ///< the column that says whose a row is; NULL there counts as 0
  const char* same_key;  ///< true of the row that an INSERT OR REPLACE puts NEW in place of; none: nobody does that
  const char* told;      ///< SQL: how many rows of owner ?1 there must be
  const char* found;     ///< and how many there are
  const char* is_all;    ///< whether the rows of everybody are all there
  const char* what;      ///< for people
};

// A lost row that an index still knows is SQLite's own error where it is read by that index; where all are counted, the
// table itself is asked.
#define NIGHTWATT_COUNTED(since, table, owner, is_owned, same_key, what)                         \
  CountedTable {                                                                                 \
    since, table, owner, same_key,                                                               \
        "SELECT coalesce((SELECT count FROM tally WHERE what = '" table "' AND owner = ?1), 0)", \
        "SELECT count(*) FROM " table " WHERE " is_owned,                                        \
        "SELECT (SELECT count(*) FROM " table                                                    \
        " NOT INDEXED) = (SELECT coalesce(sum(count), 0) FROM tally WHERE what = '" table "')",  \
        what                                                                                     \
  }

/// In the order of Counted.
constexpr std::array<CountedTable, all_counted.size()> counted_tables = {
    NIGHTWATT_COUNTED(7, "stream", "0", "?1 = 0", nullptr, "the list of meters and files"),
    NIGHTWATT_COUNTED(7, "tail", "stream", "stream = ?1", nullptr, "the list of newest readings"),
    NIGHTWATT_COUNTED(7, "set_aside", "0", "?1 = 0", nullptr, "the list of readings that were set aside"),
    NIGHTWATT_COUNTED(6, "rollup", "stream", "stream = ?1", nullptr, "what is left of readings by minutes or hours"),
    NIGHTWATT_COUNTED(6, "run", "0", "?1 = 0", nullptr, "the list of runs"),
    NIGHTWATT_COUNTED(6, "run_word", "run", "run = ?1", nullptr, "what is said of a run"),
    NIGHTWATT_COUNTED(6, "run_state", "run", "run = ?1", "run = NEW.run", "the state of a run"),
    NIGHTWATT_COUNTED(6, "stretch", "run", "run = ?1", nullptr, "the stretches of a run"),
    NIGHTWATT_COUNTED(7, "sketch", "run", "run = ?1", nullptr, "the sketches of a run"),
    NIGHTWATT_COUNTED(6, "mark", "run", "coalesce(run, 0) = ?1", nullptr, "the list of marks"),
    NIGHTWATT_COUNTED(6, "event", "0", "?1 = 0", nullptr, "the list of events"),
    NIGHTWATT_COUNTED(6, "shift", "stream", "stream = ?1", "stream = NEW.stream AND from_us = NEW.from_us",
                      "how far the clock was off"),
    NIGHTWATT_COUNTED(7, "value", "0", "?1 = 0", "name = NEW.name", "what the service keeps for itself"),
};
#undef NIGHTWATT_COUNTED

constexpr const char* tally_table = R"(
CREATE TABLE IF NOT EXISTS tally (
  what TEXT NOT NULL,
  owner INTEGER NOT NULL,
  count INTEGER NOT NULL,
  PRIMARY KEY (what, owner)
) WITHOUT ROWID;
)";

/// `row`: NEW or OLD.
std::string owner_in(const CountedTable& table, const std::string& row) {
  const bool of_nobody = std::string(table.owner) == "0";
  return of_nobody ? "0" : "coalesce(" + row + "." + table.owner + ", 0)";
}

/// No conflict clauses: that of the statement that set the trigger off would count in their place.
void keep_count(Database& database, const CountedTable& table) {
  const std::string name = table.name;
  const std::string is_new = " WHERE what = '" + name + "' AND owner = " + owner_in(table, "NEW");
  const std::string is_old = " WHERE what = '" + name + "' AND owner = " + owner_in(table, "OLD");
  std::string sql = "INSERT INTO tally SELECT '" + name + "', coalesce(" + table.owner + ", 0), count(*) FROM " + name +
                    " GROUP BY 2;";
  sql += "CREATE TRIGGER " + name + "_added AFTER INSERT ON " + name + " BEGIN INSERT INTO tally SELECT '" + name +
         "', " + owner_in(table, "NEW") + ", 0 WHERE NOT EXISTS (SELECT 1 FROM tally" + is_new +
         "); UPDATE tally SET count = count + 1" + is_new + "; END;";
  sql += "CREATE TRIGGER " + name + "_removed AFTER DELETE ON " + name + " BEGIN UPDATE tally SET count = count - 1" +
         is_old + "; DELETE FROM tally" + is_old + " AND count = 0; END;";
  if (table.same_key != nullptr)
    sql += "CREATE TRIGGER " + name + "_replaced BEFORE INSERT ON " + name + " WHEN EXISTS (SELECT 1 FROM " + name +
           " WHERE " + table.same_key + ") BEGIN UPDATE tally SET count = count - 1" + is_new + "; END;";
  database.execute(sql.c_str());
}

bool is_kept(Database& database, const CountedTable& table) {
  const std::string sql = "SELECT count(*) FROM sqlite_schema WHERE name = '" + std::string(table.name) + "_added'";
  return database.pragma(sql.c_str()) > 0;
}

const CountedTable& table_of(Counted rows) {
  return counted_tables[static_cast<std::size_t>(rows)];
}

bool has_tally(Database& database, Counted rows) {
  return database.pragma("PRAGMA user_version") >= table_of(rows).since;
}

[[noreturn]] void miss(Counted rows) {
  throw Damage(std::string(counted_words(rows)) + " is not whole: rows are missing");
}

std::int64_t number(Database& database, const char* sql, std::int64_t owner) {
  Query query = database.query(sql);
  query.bind(1, owner);
  return query.step() ? query.integer(0) : 0;
}

}  // namespace

void begin_tally(Database& database) {
  database.execute(tally_table);
  for (const CountedTable& table : counted_tables)
    if (!is_kept(database, table)) keep_count(database, table);
}

std::optional<std::int64_t> told_count(Database& database, Counted rows, std::int64_t owner) {
  if (!has_tally(database, rows)) return std::nullopt;
  return number(database, table_of(rows).told, owner);
}

void must_be_all_there(Database& database, Counted rows, std::int64_t owner, std::int64_t found) {
  if (told_count(database, rows, owner).value_or(found) != found) miss(rows);
}

void must_be_all_there(Database& database, Counted rows, std::int64_t owner) {
  if (has_tally(database, rows))
    must_be_all_there(database, rows, owner, number(database, table_of(rows).found, owner));
}

void must_be_all_there(Database& database, Counted rows) {
  if (!has_tally(database, rows)) return;
  Query query = database.query(table_of(rows).is_all);
  if (!query.step() || query.integer(0) == 0) miss(rows);
}

void count_anew(Database& database, Counted rows, std::int64_t owner) {
  const std::int64_t found = number(database, table_of(rows).found, owner);
  Query remove = database.query("DELETE FROM tally WHERE what = ?1 AND owner = ?2");
  remove.bind_text(1, std::string_view(counted_name(rows))).bind(2, owner).run();
  if (found == 0) return;
  Query put = database.query("INSERT INTO tally (what, owner, count) VALUES (?1, ?2, ?3)");
  put.bind_text(1, std::string_view(counted_name(rows))).bind(2, owner).bind(3, found).run();
}

const char* counted_name(Counted rows) {
  return table_of(rows).name;
}

const char* counted_words(Counted rows) {
  return table_of(rows).what;
}

}  // namespace nightwatt::storage
