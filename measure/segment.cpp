#include "measure/segment.hpp"

#include <array>

namespace nightwatt {

namespace {
constexpr std::array<std::string_view, 7> kind_names = {"off", "standby", "idle", "ramp", "plateau", "unsteady", "gap"};
}

std::string_view segment_kind_name(SegmentKind kind) {
  return kind_names[static_cast<std::size_t>(kind)];
}

std::optional<SegmentKind> segment_kind_from_name(std::string_view name) {
  for (std::size_t i = 0; i < kind_names.size(); ++i)
    if (kind_names[i] == name) return static_cast<SegmentKind>(i);
  return std::nullopt;
}

}  // namespace nightwatt
