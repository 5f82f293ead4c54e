// Readings that the service had set aside, judged anew: those that prove sound can go back to their place.
#pragma once

#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "columns.hpp"
#include "found_rows.hpp"
#include "storage/stored.hpp"

namespace nightwatt::storage {

/// A row that was set aside for what it stood beside (its number, its meter or its neighbours were damaged), as a row
/// of the tail again.
struct PutBack {
  SoundRow row;
  Columns columns;
};

/// A row that does not prove sound. What its times say may be wrong.
struct NotPutBack {
  std::optional<std::int64_t> first_us, last_us;  ///< none: it tells none
  std::int64_t readings = 0;
};

struct Quarantine {
  std::map<StreamId, std::vector<PutBack>> sound;       ///< by the meter that the checksum says it is of
  std::map<StreamId, std::vector<NotPutBack>> damaged;  ///< by the meter that the row says it is of
};

/// Both together; none unless all of `back` lies between two readings of `block`.
[[nodiscard]] std::optional<Columns> fitted_in(const Columns& block, const Columns& back);

/// `rows`: of Table::quarantine. `streams`: those that there are.
[[nodiscard]] Quarantine judge_quarantine(const std::map<std::string, SoundRow>& rows,
                                          const std::set<StreamId>& streams);

}  // namespace nightwatt::storage
