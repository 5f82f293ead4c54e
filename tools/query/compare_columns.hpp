// The columns of the table that `compare` prints for people.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "figures/comparison.hpp"
#include "figures/day.hpp"
#include "table.hpp"

namespace nightwatt::query {

/// What is asked of the table beside its rows.
struct TableRequest {
  std::optional<std::string> columns;  ///< names with commas between; none: those that say something
  std::optional<figures::DayRequest> day;
  std::string currency;
};

/// ErrorKind::input where a column is named that there is not.
[[nodiscard]] Result<Table> devices_table(const figures::Comparison& all, const TableRequest& request);

}  // namespace nightwatt::query
