// Finds the ways from one level to another among the engine's pieces, before anything is merged.
#pragma once

#include <cstddef>
#include <utility>
#include <vector>

#include "segment_parts.hpp"

namespace nightwatt {

/// Each [first, last): parts that lie on one straight way between two levels.
[[nodiscard]] std::vector<std::pair<std::size_t, std::size_t>> find_ramps(const std::vector<Part>& parts,
                                                                          const PartRules& rules);

}  // namespace nightwatt
