#include <algorithm>
#include <cmath>

#include "figures/figures.hpp"
#include "page_text.hpp"
#include "parts.hpp"
#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::report {
namespace {

constexpr double name_height = 19.0, bar_height = 13.0, device_gap = 9.0, axis_height = 26.0;
constexpr double chart_share = 0.97;  // of the width, so that the last mark's text has room
constexpr std::size_t name_columns = 44;

double reach(const std::optional<Figure>& figure) {
  if (!figure) return 0.0;
  return figure->value + (std::isfinite(figure->uncertainty) ? figure->uncertainty : 0.0);
}

std::string x_of(const Axis& axis, double watts) {
  return percent(std::clamp(axis.share(watts), 0.0, 1.0) * chart_share);
}

std::string interval_mark(const Axis& axis, const std::optional<Figure>& figure, double middle) {
  if (!figure || !std::isfinite(figure->uncertainty)) return {};
  const std::string low = x_of(axis, figure->value - figure->uncertainty);
  const std::string high = x_of(axis, figure->value + figure->uncertainty);
  const std::string y = plain(middle), top = plain(middle - 5.0), bottom = plain(middle + 5.0);
  const auto line = [](const std::string& x1, const std::string& y1, const std::string& x2, const std::string& y2) {
    const std::string at = " x1=\"" + x1 + "\" y1=\"" + y1 + "\" x2=\"" + x2 + "\" y2=\"" + y2 + "\"/>";
    return "<line class=\"halo\"" + at + "<line class=\"interval\"" + at;
  };
  return line(low, y, high, y) + line(low, top, low, bottom) + line(high, top, high, bottom);
}

std::string bar(const Axis& axis, std::string_view kind, const std::optional<Figure>& figure, double top) {
  if (!figure) return {};
  return "<rect class=\"bar " + std::string(kind) + "\" x=\"0\" y=\"" + plain(top) + "\" width=\"" +
         x_of(axis, figure->value) + "\" height=\"" + plain(bar_height) + "\"/>";
}

std::string grid(const Axis& axis, double height) {
  std::string svg;
  for (double mark = axis.bottom; mark <= axis.top + axis.step / 2.0; mark += axis.step) {
    const std::string x = x_of(axis, mark);
    const bool first = mark <= axis.bottom, last = mark + axis.step / 2.0 > axis.top;
    svg += "<line class=\"grid\" x1=\"" + x + "\" y1=\"0\" x2=\"" + x + "\" y2=\"" + plain(height - axis_height + 6.0) +
           "\"/><text class=\"mark\" x=\"" + x + "\" y=\"" + plain(height - 6.0) + "\" text-anchor=\"" +
           (first  ? "start"
            : last ? "end"
                   : "middle") +
           "\">" + plain(mark) + (last ? " W" : "") + "</text>\n";
  }
  return svg;
}

Axis axis_of(const figures::Comparison& comparison) {
  double highest = 0.0;
  for (const figures::DeviceRow& row : comparison.rows) highest = std::max({highest, reach(row.idle), reach(row.load)});
  return axis_for(0.0, highest);
}

/// Idle lies over load in one bar: load is never less. A row that has its levels the other way round shows both edges.
std::string device_bars(const Axis& axis, const figures::DeviceRow& row, double top) {
  return bar(axis, "load", row.load, top) + bar(axis, "idle", row.idle, top) +
         interval_mark(axis, row.load, top + bar_height / 2.0) + interval_mark(axis, row.idle, top + bar_height / 2.0) +
         "\n";
}

std::string device_name(const figures::DeviceRow& row, std::size_t columns) {
  return text::cut_to(text::printable(row.device.empty() ? "no name yet" : row.device), columns);
}

constexpr std::string_view hatch =
    "<defs><pattern id=\"hatch\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" "
    "patternTransform=\"rotate(45)\"><rect class=\"under\" width=\"7\" height=\"7\"/><line class=\"hatch\" x1=\"0\" "
    "y1=\"0\" x2=\"0\" y2=\"7\"/></pattern></defs>\n";

// The picture of table and bars that stands alone: columns of a fixed width, so that it looks the same everywhere.
constexpr double margin = 20.0, title_height = 34.0, heading_height = 24.0, row_height = 26.0, foot_height = 24.0;
constexpr double name_width = 270.0, figure_width = 138.0, bars_width = 330.0, column_gap = 26.0;
constexpr std::size_t picture_name_columns = 36, title_columns = 80;

struct PictureColumn {
  const char* title;
  std::optional<Figure> figures::DeviceRow::*figure;
};

/// Those that say something for any row.
std::vector<PictureColumn> columns_of(const figures::Comparison& comparison) {
  using Row = figures::DeviceRow;
  std::vector<PictureColumn> columns;
  const auto any = [&](const auto& has) { return std::any_of(comparison.rows.begin(), comparison.rows.end(), has); };
  if (any([](const Row& row) { return row.standby.has_value(); })) columns.push_back({"standby", &Row::standby});
  columns.push_back({"idle", &Row::idle});
  if (any([](const Row& row) { return differ(row.baseline, row.idle); }))
    columns.push_back({"baseline", &Row::baseline});
  columns.push_back({"load", &Row::load});
  if (any([](const Row& row) { return differ(row.sustained, row.load); }))
    columns.push_back({"sustained", &Row::sustained});
  return columns;
}

std::string text_at(std::string_view kind, double x, double y, std::string_view anchor, const std::string& words) {
  return "<text class=\"" + std::string(kind) + "\" x=\"" + plain(x) + "\" y=\"" + plain(y) + "\" text-anchor=\"" +
         std::string(anchor) + "\">" + html(words) + "</text>";
}

/// The same look without the page around it.
constexpr std::string_view picture_style =
    "<style>text{font:13px \"DejaVu Sans\",system-ui,sans-serif;fill:#1d2b2c}.name{font-weight:600}"
    ".title{font-weight:600;font-size:18px}.mark,.heading{fill:#52605f;font-size:12px}.grid{stroke:#d5d8d0}"
    ".rule{stroke:#1d5a5c;stroke-width:1.5}.bar{stroke:#1d5a5c}.bar.idle{fill:#2f7f80}"
    ".bar.load{fill:url(#hatch);stroke:#a85d12}.hatch{stroke:#a85d12;stroke-width:4}.under{fill:#f3dfc4}"
    ".interval{stroke:#101818;stroke-width:1.6}.halo{stroke:#fbfaf6;stroke-width:4.5}</style>";

std::string picture_row(const figures::DeviceRow& row, const std::vector<PictureColumn>& columns, double y) {
  const double base = y + 17.0;
  std::string svg = text_at("name", 0.0, base, "start", device_name(row, picture_name_columns));
  double right = name_width;
  for (const PictureColumn& column : columns) {
    right += figure_width;
    const std::string words = figures::figure_or_nothing(row.*column.figure, "W");
    svg += text_at("figure", right, base, "end", words.empty() ? "–" : words);
  }
  return svg + "\n";
}

}  // namespace

std::string bar_chart(const figures::Comparison& comparison) {
  const Axis axis = axis_of(comparison);
  const double pitch = name_height + bar_height + device_gap;
  const double height = pitch * static_cast<double>(comparison.rows.size()) + axis_height;
  std::string svg = "<svg class=\"bars\" width=\"100%\" height=\"" + plain(height) +
                    "\" role=\"img\" aria-label=\"Idle and load of each device with their intervals; the table has "
                    "the same figures\">" +
                    std::string(hatch) + grid(axis, height);
  double y = 0.0;
  for (const figures::DeviceRow& row : comparison.rows) {
    const bool bare = !row.idle && !row.load;
    svg += "<text class=\"name\" x=\"0\" y=\"" + plain(y + 14.0) + "\">" + html(device_name(row, name_columns)) +
           (bare ? "<tspan class=\"mark\">  idle and load are not in the record</tspan>" : "") + "</text>" +
           device_bars(axis, row, y + name_height);
    y += pitch;
  }
  return svg + "</svg>\n";
}

Picture table_picture(const figures::Comparison& comparison, const std::string& title) {
  const Axis axis = axis_of(comparison);
  const std::vector<PictureColumn> columns = columns_of(comparison);
  const double bars_at = name_width + figure_width * static_cast<double>(columns.size()) + column_gap;
  const double width = bars_at + bars_width + 2.0 * margin;
  const double top = (title.empty() ? 0.0 : title_height) + heading_height;
  const double rows = row_height * static_cast<double>(comparison.rows.size());
  const double height = top + rows + axis_height + foot_height + 2.0 * margin;
  std::string svg = "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"" + plain(width) + "\" height=\"" +
                    plain(height) + "\" viewBox=\"" + plain(-margin) + " " + plain(-margin) + " " + plain(width) + " " +
                    plain(height) + "\" role=\"img\" aria-label=\"What each device draws: table and bars\">" +
                    std::string(picture_style) + "<rect x=\"" + plain(-margin) + "\" y=\"" + plain(-margin) +
                    "\" width=\"" + plain(width) + "\" height=\"" + plain(height) + "\" fill=\"#fbfaf6\"/>" +
                    std::string(hatch);
  if (!title.empty()) svg += text_at("title", 0.0, 18.0, "start", text::cut_to(text::printable(title), title_columns));
  svg += text_at("heading", 0.0, top - 9.0, "start", "device");
  double right = name_width;
  for (const PictureColumn& column : columns) {
    right += figure_width;
    svg += text_at("heading", right, top - 9.0, "end", column.title);
  }
  svg += text_at("heading", bars_at, top - 9.0, "start", "idle (plain) and load (hatched)");
  svg += "<line class=\"rule\" x1=\"0\" x2=\"" + plain(width - 2.0 * margin) + "\" y1=\"" + plain(top) + "\" y2=\"" +
         plain(top) + "\"/>\n";
  std::string bars = grid(axis, rows + axis_height);
  for (std::size_t i = 0; i < comparison.rows.size(); ++i) {
    const double y = row_height * static_cast<double>(i);
    svg += picture_row(comparison.rows[i], columns, top + y);
    bars += device_bars(axis, comparison.rows[i], y + (row_height - bar_height) / 2.0);
  }
  svg += "<svg x=\"" + plain(bars_at) + "\" y=\"" + plain(top) + "\" width=\"" + plain(bars_width) + "\" height=\"" +
         plain(rows + axis_height) + "\">" + bars + "</svg>\n";
  const bool unknown = !figures::unknown_accuracy_text(comparison.rows).empty();
  svg += text_at("mark", 0.0, top + rows + axis_height + 16.0, "start",
                 std::string("± and brackets: the true value lies within about 95 times in 100 (k = 2)") +
                     (unknown ? "; where the meter's accuracy is not known, its own error left out." : "."));
  return {svg + "</svg>\n", width, height};
}

}  // namespace nightwatt::report
