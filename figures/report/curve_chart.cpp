#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <vector>

#include "figures/figures.hpp"
#include "measure/signal/time_text.hpp"
#include "page_text.hpp"
#include "parts.hpp"

namespace nightwatt::report {
namespace {

constexpr std::size_t columns = 750;  // as fine as a printed line shows
constexpr double plot_top = 26.0, plot_height = 190.0, axis_height = 24.0;
constexpr int view_width = 1500, view_height = 1000;
constexpr std::size_t drawn_segments = 500;  // more are a hair's breadth each
constexpr double named_share = 0.055, lettered_share = 0.014, visible_share = 0.0006;

struct Column {
  double middle_s = 0.0;  ///< from the curve's begin
  double lowest = 0.0, mean = 0.0, highest = 0.0;
};

double span_s(const ReportRun& run) {
  return std::max(1e-6, to_seconds(run.window.to - run.window.from).value);
}

/// Bins joined until few enough; no extreme is lost.
std::vector<Column> columns_of(const ReportRun& run) {
  std::vector<Column> all;
  const std::size_t each = (run.bins.size() + columns - 1) / columns;
  for (std::size_t begin = 0; begin < run.bins.size(); begin += each) {
    const std::size_t end = std::min(run.bins.size(), begin + each);
    Column column{0.0, 1e300, 0.0, -1e300};
    double samples = 0.0;
    for (std::size_t i = begin; i < end; ++i) {
      const figures::Bin& bin = run.bins[i];
      if (bin.samples == 0) continue;
      column.lowest = std::min(column.lowest, bin.lowest_w);
      column.highest = std::max(column.highest, bin.highest_w);
      column.mean += bin.mean_w * static_cast<double>(bin.samples);
      samples += static_cast<double>(bin.samples);
    }
    if (samples == 0.0) continue;
    column.mean /= samples;
    const double width = span_s(run) / static_cast<double>(run.bins.size());
    column.middle_s = width * static_cast<double>(begin + end) / 2.0;
    all.push_back(column);
  }
  return all;
}

std::string point(const ReportRun& run, const Axis& axis, double time_s, double watts) {
  return std::to_string(std::lround(time_s / span_s(run) * view_width)) + "," +
         std::to_string(std::lround((1.0 - axis.share(watts)) * view_height)) + " ";
}

/// One stretch without a gap: the band from lowest to highest, and the mean.
std::string piece(const ReportRun& run, const Axis& axis, std::span<const Column> part) {
  std::string band, back, line;
  for (const Column& column : part) {
    band += point(run, axis, column.middle_s, column.highest);
    line += point(run, axis, column.middle_s, column.mean);
  }
  for (std::size_t i = part.size(); i-- > 0;) back += point(run, axis, part[i].middle_s, part[i].lowest);
  if (part.size() == 1) line += line;  // a line of one point is nothing; of two equal ones a dot
  return "<polygon class=\"band\" points=\"" + band + back + "\"/><polyline class=\"mean\" points=\"" + line + "\"/>\n";
}

std::string pieces(const ReportRun& run, const Axis& axis, const std::vector<Column>& all) {
  std::string svg;
  std::size_t begin = 0;
  for (std::size_t i = 1; i <= all.size(); ++i) {
    if (i < all.size() && !gap_between(run, run.window.from + to_duration({all[i - 1].middle_s}),
                                       run.window.from + to_duration({all[i].middle_s})))
      continue;
    svg += piece(run, axis, std::span(all).subspan(begin, i - begin));
    begin = i;
  }
  return svg;
}

std::string segment_shade(const ReportRun& run, const Segment& segment) {
  const double begin = std::max(0.0, to_seconds(segment.begin - run.window.from).value / span_s(run));
  const double end = std::min(1.0, to_seconds(segment.end - run.window.from).value / span_s(run));
  const double share = end - begin;
  const bool gap = segment.kind == SegmentKind::gap;
  if (share < visible_share && !gap) return {};
  const std::string name(segment_kind_name(segment.kind)), kind = kind_class(segment.kind);
  const std::string at = " x=\"" + percent(begin) + "\" width=\"" + percent(std::max(share, visible_share)) + "\" ";
  std::string svg = "<rect class=\"shade " + kind + "\"" + at + "y=\"" + plain(plot_top) + "\" height=\"" +
                    plain(plot_height) + "\"/><svg" + at + "y=\"0\" height=\"22\"><rect class=\"ribbon " + kind +
                    "\" width=\"100%\" height=\"22\"/>";
  const std::string words = share >= named_share ? name : share >= lettered_share ? name.substr(0, 1) : std::string();
  if (!words.empty()) svg += "<text class=\"kind\" x=\"4\" y=\"15\">" + words + "</text>";
  return svg + "</svg>\n";
}

std::string shades(const ReportRun& run) {
  std::string svg;
  std::size_t drawn = 0;
  for (const Segment& segment : run.record.segments) {
    const std::string one = segment_shade(run, segment);
    if (one.empty()) continue;
    if (++drawn > drawn_segments) break;
    svg += one;
  }
  return svg;
}

std::string scale(const Axis& axis) {
  std::string svg;
  for (double mark = axis.bottom; mark <= axis.top + axis.step / 2.0; mark += axis.step) {
    const double y = plot_top + (1.0 - axis.share(mark)) * plot_height;
    svg += "<line class=\"grid\" x1=\"0\" x2=\"100%\" y1=\"" + plain(y) + "\" y2=\"" + plain(y) + "\"/>";
    if (std::abs(mark) > axis.step / 2.0 && mark + axis.step / 2.0 < axis.top)
      svg += "<text class=\"mark\" x=\"3\" y=\"" + plain(y - 3.0) + "\">" + plain(mark) + " W</text>";
  }
  return svg;
}

/// Marks of the time axis at round local times, about `wanted` of them.
struct TimeMarks {
  double step_s = 1.0;
  std::vector<UtcTime> at;  ///< as shown
};

/// How far the local calendar is ahead of UTC, out of `2026-01-05 22:10:00 +01:00`.
std::int64_t local_offset_s(UtcTime time) {
  const std::string text = local_text(time);
  const std::size_t sign = text.size() - 6;
  const auto two = [&](std::size_t at) { return (text[at] - '0') * 10 + (text[at + 1] - '0'); };
  return (text[sign] == '-' ? -1 : 1) * (two(sign + 1) * 3600 + two(sign + 4) * 60);
}

TimeMarks time_marks(UtcTime from, UtcTime to) {
  constexpr double wanted = 6.0, us_per_s = 1e6;
  constexpr std::array steps_s = {1.0,      2.0,      5.0,       10.0,      15.0,        30.0,       60.0,     120.0,
                                  300.0,    600.0,    900.0,     1800.0,    3600.0,      7200.0,     10'800.0, 21'600.0,
                                  43'200.0, 86'400.0, 172'800.0, 604'800.0, 2'592'000.0, 7'776'000.0};
  TimeMarks marks;
  const double span = to_seconds(to - from).value;
  marks.step_s = steps_s.back();
  for (std::size_t i = steps_s.size(); i-- > 0;)
    if (span <= wanted * steps_s[i]) marks.step_s = steps_s[i];
  const std::int64_t offset_s = local_offset_s(from);
  const double local_s = static_cast<double>(from.us) / us_per_s + static_cast<double>(offset_s);
  const double first = std::ceil(local_s / marks.step_s) * marks.step_s - static_cast<double>(offset_s);
  for (double at = first; at <= static_cast<double>(to.us) / us_per_s; at += marks.step_s)
    marks.at.push_back(UtcTime{std::llround(at * us_per_s)});
  return marks;
}

/// Out of `2026-01-05 22:10:00 +01:00`: days, `22:10`, or seconds, as far as the marks are apart.
std::string mark_text(UtcTime time, double step_s) {
  const std::string text = local_text(time);
  if (step_s >= 86'400.0) return text.substr(5, 5);
  return text.substr(11, step_s < 60.0 ? 8 : 5);
}

std::string times(const ReportRun& run) {
  std::string svg;
  const UtcTime from = run.window.from + run.record.utc_offset, to = run.window.to + run.record.utc_offset;
  const TimeMarks marks = time_marks(from, to);
  for (const UtcTime at : marks.at) {
    const double share = to_seconds(at - from).value / span_s(run);
    const std::string x = percent(share);
    constexpr double edge = 0.04;  // nearer than this half a mark's text would stick out
    const std::string anchor = share < edge ? "start" : share > 1.0 - edge ? "end" : "middle";
    svg += "<line class=\"grid\" x1=\"" + x + "\" x2=\"" + x + "\" y1=\"" + plain(plot_top + plot_height) + "\" y2=\"" +
           plain(plot_top + plot_height + 5.0) + "\"/><text class=\"mark\" x=\"" + x + "\" y=\"" +
           plain(plot_top + plot_height + 18.0) + "\" text-anchor=\"" + anchor + "\">" + mark_text(at, marks.step_s) +
           "</text>";
  }
  return svg;
}

}  // namespace

bool gap_between(const ReportRun& run, UtcTime from, UtcTime to) {
  return std::any_of(run.record.segments.begin(), run.record.segments.end(), [&](const Segment& segment) {
    const UtcTime middle = segment.begin + (segment.end - segment.begin) / 2;
    return segment.kind == SegmentKind::gap && from <= middle && middle < to;
  });
}

std::string kind_class(SegmentKind kind) {
  return "k-" + std::string(segment_kind_name(kind));
}

std::string kind_patterns() {
  struct Pattern {
    SegmentKind kind;
    std::string_view marks;
  };
  // Told apart by what is drawn, not by colour alone.
  constexpr std::array<Pattern, 7> patterns = {{
      {SegmentKind::off, "<circle class=\"ink\" cx=\"5\" cy=\"5\" r=\"0.7\"/>"},
      {SegmentKind::standby,
       "<circle class=\"ink\" cx=\"3\" cy=\"3\" r=\"1.2\"/><circle class=\"ink\" cx=\"8\" cy=\"8\" r=\"1.2\"/>"},
      {SegmentKind::ramp, "<path class=\"line\" d=\"M2 0V10M7 0V10\"/>"},
      {SegmentKind::plateau, "<path class=\"line\" d=\"M0 10L10 0M-2 2L2 -2M8 12L12 8\"/>"},
      {SegmentKind::charging, "<path class=\"line\" d=\"M0 5L2.5 2L7.5 8L10 5\"/>"},
      {SegmentKind::unsteady, "<path class=\"line\" d=\"M0 10L10 0M0 0L10 10\"/>"},
      {SegmentKind::gap, "<path class=\"line\" d=\"M0 2H5M5 7H10\"/>"},
  }};
  std::string svg = "<svg class=\"patterns\" width=\"0\" height=\"0\" aria-hidden=\"true\"><defs>";
  for (const Pattern& pattern : patterns) {
    const std::string name = kind_class(pattern.kind);
    svg += "<pattern id=\"p" + name + "\" class=\"" + name +
           "\" width=\"10\" height=\"10\" patternUnits=\"userSpaceOnUse\"><rect class=\"ground\" width=\"10\" "
           "height=\"10\"/>" +
           std::string(pattern.marks) + "</pattern>";
  }
  return svg + "</defs></svg>\n";
}

std::string curve_chart(const ReportRun& run) {
  const std::vector<Column> all = columns_of(run);
  double lowest = 0.0, highest = 0.0;
  for (const Column& column : all) {
    lowest = std::min(lowest, column.lowest);
    highest = std::max(highest, column.highest);
  }
  const Axis axis = axis_for(lowest, highest);
  std::string svg = "<svg class=\"still\" width=\"100%\" height=\"" + plain(plot_top + plot_height + axis_height) +
                    "\" role=\"img\" aria-label=\"Power over time; the segments below say it in numbers\">\n" +
                    shades(run) + scale(axis) + "<svg x=\"0\" y=\"" + plain(plot_top) + "\" width=\"100%\" height=\"" +
                    plain(plot_height) + "\" viewBox=\"0 0 " + std::to_string(view_width) + " " +
                    std::to_string(view_height) + "\" preserveAspectRatio=\"none\">\n" + pieces(run, axis, all) +
                    "</svg>" + times(run);
  return svg + "</svg>\n";
}

}  // namespace nightwatt::report
