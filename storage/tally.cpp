#include "tally.hpp"

#include <string>
#include <string_view>

namespace nightwatt::storage {
namespace {

constexpr const char* tally_table = R"(
CREATE TABLE IF NOT EXISTS tally (
  what TEXT NOT NULL,
  owner INTEGER NOT NULL,
  count INTEGER NOT NULL,
  PRIMARY KEY (what, owner)
) WITHOUT ROWID;
)";

/// `row`: NEW or OLD.
std::string owner_in(const TableTraits& table, const std::string& row) {
  const bool of_nobody = std::string_view(table.counting.owner) == "0";
  return of_nobody ? "0" : "coalesce(" + row + "." + table.counting.owner + ", 0)";
}

void count_rows(Database& database, const TableTraits& table) {
  const std::string name = table.name;
  const std::string sql = "INSERT INTO tally SELECT '" + name + "', coalesce(" + table.counting.owner +
                          ", 0), count(*) FROM " + name + " GROUP BY 2";
  database.execute(sql.c_str());
}

/// A new row costs one search of the tally where it has its owner already: twice as many were a tenth of a commit. No
/// conflict clauses: that of the statement that set the trigger off would count in their place.
void put_triggers(Database& database, const TableTraits& table) {
  const std::string name = table.name;
  const std::string is_new = " WHERE what = '" + name + "' AND owner = " + owner_in(table, "NEW");
  const std::string is_old = " WHERE what = '" + name + "' AND owner = " + owner_in(table, "OLD");
  std::string sql;
  for (const char* when : {"_added", "_removed", "_replaced"}) sql += "DROP TRIGGER IF EXISTS " + name + when + ";";
  sql += "CREATE TRIGGER " + name + "_added AFTER INSERT ON " + name + " BEGIN UPDATE tally SET count = count + 1" +
         is_new + "; INSERT INTO tally SELECT '" + name + "', " + owner_in(table, "NEW") +
         ", 1 WHERE changes() = 0; END;";
  sql += "CREATE TRIGGER " + name + "_removed AFTER DELETE ON " + name + " BEGIN UPDATE tally SET count = count - 1" +
         is_old + "; DELETE FROM tally" + is_old + " AND count = 0; END;";
  if (table.counting.same_key != nullptr)
    sql += "CREATE TRIGGER " + name + "_replaced BEFORE INSERT ON " + name + " WHEN EXISTS (SELECT 1 FROM " + name +
           " WHERE " + table.counting.same_key + ") BEGIN UPDATE tally SET count = count - 1" + is_new + "; END;";
  database.execute(sql.c_str());
}

bool is_kept(Database& database, const TableTraits& table) {
  const std::string sql = "SELECT count(*) FROM sqlite_schema WHERE name = '" + std::string(table.name) + "_added'";
  return database.pragma(sql.c_str()) > 0;
}

const Counting& counting_of(Table rows) {
  return traits_of(rows).counting;
}

bool has_tally(Database& database, Table rows) {
  return database.pragma("PRAGMA user_version") >= counting_of(rows).since;
}

[[noreturn]] void miss(Table rows) {
  throw Damage(std::string(counting_of(rows).what) + " is not whole: rows are missing");
}

std::int64_t number(Database& database, const char* sql, std::int64_t owner) {
  Query query = database.query(sql);
  query.bind(1, owner);
  return query.step() ? query.integer(0) : 0;
}

}  // namespace

void begin_tally(Database& database) {
  database.execute(tally_table);
  for (const TableTraits& table : all_tables()) {
    if (table.counting.since == 0) continue;
    if (!is_kept(database, table)) count_rows(database, table);
    put_triggers(database, table);
  }
}

std::optional<std::int64_t> told_count(Database& database, Table rows, std::int64_t owner) {
  if (!has_tally(database, rows)) return std::nullopt;
  return number(database, counting_of(rows).told, owner);
}

void must_be_all_there(Database& database, Table rows, std::int64_t owner, std::int64_t found) {
  if (told_count(database, rows, owner).value_or(found) != found) miss(rows);
}

void must_be_all_there(Database& database, Table rows, std::int64_t owner) {
  if (has_tally(database, rows))
    must_be_all_there(database, rows, owner, number(database, counting_of(rows).found, owner));
}

void must_be_all_there(Database& database, Table rows) {
  if (!has_tally(database, rows)) return;
  Query query = database.query(counting_of(rows).is_all);
  if (!query.step() || query.integer(0) == 0) miss(rows);
}

void count_anew(Database& database, Table rows, std::int64_t owner) {
  const std::int64_t found = number(database, counting_of(rows).found, owner);
  Query remove = database.query("DELETE FROM tally WHERE what = ?1 AND owner = ?2");
  remove.bind_text(1, std::string_view(traits_of(rows).name)).bind(2, owner).run();
  if (found == 0) return;
  Query put = database.query("INSERT INTO tally (what, owner, count) VALUES (?1, ?2, ?3)");
  put.bind_text(1, std::string_view(traits_of(rows).name)).bind(2, owner).bind(3, found).run();
}

}  // namespace nightwatt::storage
