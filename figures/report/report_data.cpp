#include <algorithm>
#include <cmath>
#include <span>

#include "figures/run_json.hpp"
#include "measure/signal/time_text.hpp"
#include "page_text.hpp"
#include "parts.hpp"

namespace nightwatt::report {
namespace {

using text::JsonWriter;

/// Of one run: more is megabytes, and a hair's breadth each; `segments RUN --json` has them all.
constexpr std::size_t segments_limit = 5000;

/// Numbers of the curve are whole multiples of it: five digits of the highest, finer than any screen.
double curve_unit_w(const ReportRun& run) {
  double largest = 1e-6;
  for (const figures::Bin& bin : run.bins)
    if (bin.samples > 0) largest = std::max({largest, std::abs(bin.lowest_w), std::abs(bin.highest_w)});
  return std::pow(10.0, std::floor(std::log10(largest)) - 4.0);
}

struct Point {
  std::int64_t ms = 0;                ///< from the curve's begin
  const figures::Bin* bin = nullptr;  ///< none: the line breaks here
};

/// Bins that hold readings, each in its middle, and a break for each gap.
std::vector<Point> points_of(const ReportRun& run, std::int64_t bin_us) {
  std::vector<Point> points;
  UtcTime last;
  for (const figures::Bin& bin : run.bins) {
    if (bin.samples == 0) continue;
    const UtcTime middle = bin.begin + Duration{bin_us / 2};
    const std::int64_t ms = (middle - run.window.from).count() / 1000;
    if (!points.empty() && gap_between(run, last, middle)) points.push_back({(points.back().ms + ms) / 2, nullptr});
    points.push_back({ms, &bin});
    last = middle;
  }
  return points;
}

void write_curve(JsonWriter& json, const ReportRun& run) {
  const double unit = curve_unit_w(run);
  const std::int64_t width_us =
      (run.window.to - run.window.from).count() / std::max<std::int64_t>(1, static_cast<std::int64_t>(run.bins.size()));
  const std::vector<Point> points = points_of(run, width_us);
  json.key("curve").begin_object().field("from", run.window.from + run.record.utc_offset);
  json.field("local", local_text(run.window.from + run.record.utc_offset))
      .field("bin_s", static_cast<double>(width_us) / 1e6);
  json.field("unit_w", unit).field("step_w", run.record.step_w).key("ms").begin_array();
  for (const Point& point : points) json.value(point.ms);
  json.end_array();
  const auto series = [&](const char* name, double figures::Bin::*which) {
    json.line_break().key(name).begin_array();
    for (const Point& point : points)
      point.bin != nullptr ? json.value(static_cast<std::int64_t>(std::llround(point.bin->*which / unit)))
                           : json.null();
    json.end_array();
  };
  series("lowest", &figures::Bin::lowest_w);
  series("mean", &figures::Bin::mean_w);
  series("highest", &figures::Bin::highest_w);
  json.end_object();
}

}  // namespace

std::string report_data(const Report& report) {
  std::string text;
  text::Sink sink(text);
  JsonWriter json(sink);
  json.begin_document().field("version", NIGHTWATT_VERSION).field("made", report.made).field("title", report.title);
  json.line_break().key("compare");
  figures::write_comparison(json, report.comparison);
  json.line_break().key("runs").begin_array();
  for (const ReportRun& run : report.runs) {
    json.line_break().begin_object();
    figures::write_run_name(json, run.record.info);
    json.key("segments");
    const std::vector<Segment>& segments = run.record.segments;
    const std::size_t written = std::min(segments.size(), segments_limit);
    figures::write_segments(json, std::span(segments).first(written), run.record.calendar);
    if (written < segments.size())
      json.field("segments_left_out", static_cast<std::int64_t>(segments.size() - written));
    if (!run.bins.empty()) write_curve(json, run);
    json.end_object();
  }
  json.end_array().end_object();
  return script_safe(text);
}

}  // namespace nightwatt::report
