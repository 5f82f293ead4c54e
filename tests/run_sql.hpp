// What another program, or a failing disk, does to a store.
#pragma once

#include <sqlite3.h>

#include <catch2/catch.hpp>
#include <string>

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

}  // namespace nightwatt::test
