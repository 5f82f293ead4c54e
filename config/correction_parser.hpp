// A meter's correction in its profile, as `nightwatt calibrate --write` leaves it.
#pragma once

#include <optional>

#include "checked_table.hpp"
#include "measure/signal/correction.hpp"

namespace nightwatt::config {

/// nullopt where something is wrong; it has then been reported.
[[nodiscard]] std::optional<Correction> parse_correction(CheckedTable table);

}  // namespace nightwatt::config
