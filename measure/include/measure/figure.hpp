// A quoted number: a value and how unsure it is.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "measure/segment.hpp"

namespace nightwatt {

struct Figure {
  double value = 0.0;
  double uncertainty = 0.0;              ///< expanded, k = 2
  std::optional<LevelParts> parts = {};  ///< of it, where they are known
};

/// `25.02 ± 0.21 W`: value rounded to its uncertainty, two significant digits of uncertainty (GUM 7.2.6).
[[nodiscard]] std::string figure_text(const Figure& figure, std::string_view unit);

}  // namespace nightwatt
