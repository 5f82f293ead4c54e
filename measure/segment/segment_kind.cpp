#include "measure/segment/segment_kind.hpp"

#include <array>

namespace nightwatt {

namespace {
constexpr std::array<std::string_view, segment_kind_count> kind_names = {"off",     "standby",  "idle", "ramp",
                                                                         "plateau", "unsteady", "gap",  "charging"};
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
