// The pieces of the page, each as HTML or SVG text.
#pragma once

#include <string>

#include "report/png.hpp"
#include "report/report.hpp"

namespace nightwatt::report {

/// The table of devices, and what is to be said of it.
[[nodiscard]] std::string device_section(const figures::Comparison& all);
/// Idle and load of each device with their intervals, one bar a device.
[[nodiscard]] std::string bar_chart(const figures::Comparison& comparison);
/// The table and the bars as one document that stands alone; `title` may be empty.
[[nodiscard]] Picture table_picture(const figures::Comparison& comparison, const std::string& title);
/// What kinds of segments are drawn with; once a page.
[[nodiscard]] std::string kind_patterns();
/// The class that style and pattern of a kind go by.
[[nodiscard]] std::string kind_class(SegmentKind kind);
/// Whether the middle of a gap lies there: then no line goes from one to the other. So each gap breaks a line once.
[[nodiscard]] bool gap_between(const ReportRun& run, UtcTime from, UtcTime to);
/// The curve with its segments, readable without a script.
[[nodiscard]] std::string curve_chart(const ReportRun& run);
[[nodiscard]] std::string budget_details(const ReportRun& run);
[[nodiscard]] std::string run_section(const ReportRun& run);
/// A device's figures from run to run, what moved, and a picture of each.
[[nodiscard]] std::string history_section(const figures::History& history);
/// What the script draws from, and anybody may read: the answers of `compare --json` and `segments --json`, and the
/// curves.
[[nodiscard]] std::string report_data(const Report& report);

}  // namespace nightwatt::report
