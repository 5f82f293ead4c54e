// What a stretch of a run is called: the names and numbers of the kinds.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string_view>

namespace nightwatt {

/// Stores keep these numbers (marks): a new kind goes to the end.
enum class SegmentKind : std::uint8_t { off, standby, idle, ramp, plateau, unsteady, gap, charging };
constexpr std::size_t segment_kind_count = 8;
/// In the order in which lists name them.
constexpr std::array<SegmentKind, segment_kind_count> all_segment_kinds = {
    SegmentKind::off,  SegmentKind::standby,  SegmentKind::idle,     SegmentKind::plateau,
    SegmentKind::ramp, SegmentKind::charging, SegmentKind::unsteady, SegmentKind::gap};
[[nodiscard]] std::string_view segment_kind_name(SegmentKind kind);
[[nodiscard]] std::optional<SegmentKind> segment_kind_from_name(std::string_view name);
/// Nothing for a number that no kind has: a store of a newer version, or a damaged one.
[[nodiscard]] std::optional<SegmentKind> segment_kind_from_number(std::int64_t number);

}  // namespace nightwatt
