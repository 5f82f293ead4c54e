// What another program, or a failing disk, does to a store.
#pragma once

#include <sqlite3.h>

#include <catch2/catch.hpp>
#include <string>
#include <vector>

namespace nightwatt::test {

/// Gives how many rows the last statement changed.
inline int run_sql(const std::string& path, const std::string& sql) {
  sqlite3* database = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &database) == SQLITE_OK);
  REQUIRE(sqlite3_exec(database, sql.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK);
  const int changed = sqlite3_changes(database);
  sqlite3_close(database);
  return changed;
}

/// The first column of the rows that a query finds, as text; none of them may be NULL.
inline std::vector<std::string> texts(const std::string& path, const std::string& sql) {
  sqlite3* database = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &database) == SQLITE_OK);
  sqlite3_stmt* row = nullptr;
  REQUIRE(sqlite3_prepare_v2(database, sql.c_str(), -1, &row, nullptr) == SQLITE_OK);
  std::vector<std::string> found;
  while (sqlite3_step(row) == SQLITE_ROW)
    found.emplace_back(reinterpret_cast<const char*>(sqlite3_column_text(row, 0)));
  sqlite3_finalize(row);
  sqlite3_close(database);
  return found;
}

}  // namespace nightwatt::test
