// A small picture of a figure from run to run.
#pragma once

#include <string>
#include <vector>

namespace nightwatt::query {

/// A row of the terminal each, without colour: the levels as dots over their places, the scale at the left. Empty below
/// two levels. No wider than `columns`: of more levels than fit, neighbours share a column.
[[nodiscard]] std::vector<std::string> history_picture(const std::vector<double>& levels_w, std::size_t columns);

}  // namespace nightwatt::query
