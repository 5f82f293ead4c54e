#include "tally.hpp"

#include <array>
#include <string>

#include "schema.hpp"

namespace nightwatt::storage {
namespace {

struct CountedTable {
  const char* name;
  const char* owner;       ///< the column that says whose a row is; NULL there counts as 0
  const char* same_key;    ///< true of the row that an INSERT OR REPLACE puts NEW in place of; none: nobody does that
  const char* is_all;      ///< SQL: whether the rows of owner ?1 are all there
  const char* is_all_all;  ///< and those of everybody
  const char* what;        ///< for people
};

// A lost row that an index still knows is SQLite's own error where it is read by that index; where all are counted, the
// table itself is asked.
#define NIGHTWATT_COUNTED(table, owner, is_owned, same_key, what)                               \
  CountedTable {                                                                                \
    table, owner, same_key,                                                                     \
        "SELECT (SELECT count(*) FROM " table " WHERE " is_owned                                \
        ") = coalesce((SELECT count FROM tally WHERE what = '" table "' AND owner = ?1), 0)",   \
        "SELECT (SELECT count(*) FROM " table                                                   \
        " NOT INDEXED) = (SELECT coalesce(sum(count), 0) FROM tally WHERE what = '" table "')", \
        what                                                                                    \
  }

/// In the order of Counted.
constexpr std::array<CountedTable, 8> counted_tables = {
    NIGHTWATT_COUNTED("run", "0", "?1 = 0", nullptr, "the list of runs"),
    NIGHTWATT_COUNTED("run_word", "run", "run = ?1", nullptr, "what is said of a run"),
    NIGHTWATT_COUNTED("run_state", "run", "run = ?1", "run = NEW.run", "the state of a run"),
    NIGHTWATT_COUNTED("stretch", "run", "run = ?1", nullptr, "the stretches of a run"),
    NIGHTWATT_COUNTED("mark", "run", "coalesce(run, 0) = ?1", nullptr, "the list of marks"),
    NIGHTWATT_COUNTED("shift", "stream", "stream = ?1", "stream = NEW.stream AND from_us = NEW.from_us",
                      "how far the clock was off"),
    NIGHTWATT_COUNTED("event", "0", "?1 = 0", nullptr, "the list of events"),
    NIGHTWATT_COUNTED("rollup", "stream", "stream = ?1", nullptr, "what is left of readings by minutes or hours"),
};
#undef NIGHTWATT_COUNTED

constexpr const char* tally_table = R"(
CREATE TABLE tally (
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

bool has_tally(Database& database) {
  return database.pragma("PRAGMA user_version") >= first_version_with_tally;
}

const CountedTable& table_of(Counted rows) {
  return counted_tables[static_cast<std::size_t>(rows)];
}

void require_all(const CountedTable& table, Query& query) {
  if (!query.step() || query.integer(0) == 0) throw Damage(std::string(table.what) + " is not whole: rows are missing");
}

}  // namespace

void begin_tally(Database& database) {
  database.execute(tally_table);
  for (const CountedTable& table : counted_tables) keep_count(database, table);
}

void must_be_all_there(Database& database, Counted rows, std::int64_t owner) {
  if (!has_tally(database)) return;
  Query query = database.query(table_of(rows).is_all);
  query.bind(1, owner);
  require_all(table_of(rows), query);
}

void must_be_all_there(Database& database, Counted rows) {
  if (!has_tally(database)) return;
  Query query = database.query(table_of(rows).is_all_all);
  require_all(table_of(rows), query);
}

}  // namespace nightwatt::storage
