// How many rows there must be: a seal proves a row that is found, and this tells of one that is not.
#pragma once

#include <cstdint>

#include "database.hpp"

namespace nightwatt::storage {

/// Makes the table `tally`, of all rows that are there now, and the triggers that keep it, whichever program adds a row
/// or takes one away.
void begin_tally(Database& database);

/// Throws Damage where rows are missing (or there are too many). `owner`: of which run, or stream; 0: of none. Stores
/// of before version 6 have no tally: nothing is said of them.
enum class Counted : std::uint8_t { run, run_word, run_state, stretch, mark, shift, event, rollup };
void must_be_all_there(Database& database, Counted rows, std::int64_t owner);
/// Of all owners together.
void must_be_all_there(Database& database, Counted rows);

}  // namespace nightwatt::storage
