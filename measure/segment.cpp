#include "measure/segment.hpp"

#include <array>
#include <cmath>
#include <limits>

#include "measure/distributions.hpp"
#include "measure/level_budget.hpp"

namespace nightwatt {

namespace {
constexpr std::array<std::string_view, segment_kind_count> kind_names = {"off",     "standby",  "idle", "ramp",
                                                                         "plateau", "unsteady", "gap",  "charging"};
}

double LevelParts::standard_w() const {
  return std::sqrt(chance_w * chance_w + shared_w * shared_w + accuracy_w * accuracy_w);
}

double LevelParts::expanded_w() const {
  constexpr double infinity = std::numeric_limits<double>::infinity();
  const std::array<UncertaintyPart, 3> all = {
      {{chance_w, chance_freedom}, {shared_w, infinity}, {accuracy_w, infinity}}};
  return k_for(effective_freedom(all)) * standard_w();
}

std::string_view segment_kind_name(SegmentKind kind) {
  return kind_names[static_cast<std::size_t>(kind)];
}

std::optional<SegmentKind> segment_kind_from_name(std::string_view name) {
  for (std::size_t i = 0; i < kind_names.size(); ++i)
    if (kind_names[i] == name) return static_cast<SegmentKind>(i);
  return std::nullopt;
}

std::optional<SegmentKind> segment_kind_from_number(std::int64_t number) {
  if (number < 0 || number >= static_cast<std::int64_t>(segment_kind_count)) return std::nullopt;
  return static_cast<SegmentKind>(number);
}

}  // namespace nightwatt
