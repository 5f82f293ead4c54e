// How many rows there must be: a seal proves a row that is found, and this tells of one that is not.
#pragma once

#include <cstdint>
#include <optional>

#include "database.hpp"
#include "tables.hpp"

namespace nightwatt::storage {

/// Makes the table `tally`, of all rows that are there now, and the triggers that keep it, whichever program adds a row
/// or takes one away; and what of these a store of version 6 lacks, with the triggers of today.
void begin_tally(Database& database);

/// How many rows there must be. `owner`: of which run, or stream; 0: of none. None: stores of before version 6 have no
/// tally, and those of version 6 not of every table.
[[nodiscard]] std::optional<std::int64_t> told_count(Database& database, Table rows, std::int64_t owner);

/// Throw Damage where rows are missing (or there are too many). Without an owner: of all owners together.
void must_be_all_there(Database& database, Table rows, std::int64_t owner);
void must_be_all_there(Database& database, Table rows);
/// The same where somebody else has counted them.
void must_be_all_there(Database& database, Table rows, std::int64_t owner, std::int64_t found);

/// From now on there must be as many as there are: what is missing was told, or made anew.
void count_anew(Database& database, Table rows, std::int64_t owner);

}  // namespace nightwatt::storage
