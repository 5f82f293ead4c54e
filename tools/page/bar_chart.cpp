#include <algorithm>
#include <cmath>

#include "figures/figures.hpp"
#include "page_text.hpp"
#include "parts.hpp"
#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::page {
namespace {

constexpr double name_height = 26.0, bar_height = 13.0, bar_pitch = 38.0, device_gap = 16.0, axis_height = 26.0;
constexpr double chart_share = 0.97;  // of the width, so that the last mark's text has room
constexpr std::size_t name_columns = 70;

double reach(const std::optional<Figure>& figure) {
  if (!figure) return 0.0;
  return figure->value + (std::isfinite(figure->uncertainty) ? figure->uncertainty : 0.0);
}

std::string x_of(const Axis& axis, double watts) {
  return percent(std::clamp(axis.share(watts), 0.0, 1.0) * chart_share);
}

std::string interval_mark(const Axis& axis, const Figure& figure, double middle) {
  const std::string low = x_of(axis, figure.value - figure.uncertainty);
  const std::string high = x_of(axis, figure.value + figure.uncertainty);
  const std::string y = plain(middle), top = plain(middle - 5.0), bottom = plain(middle + 5.0);
  const auto line = [](const std::string& x1, const std::string& y1, const std::string& x2, const std::string& y2) {
    const std::string at = " x1=\"" + x1 + "\" y1=\"" + y1 + "\" x2=\"" + x2 + "\" y2=\"" + y2 + "\"/>";
    return "<line class=\"halo\"" + at + "<line class=\"interval\"" + at;
  };
  return line(low, y, high, y) + line(low, top, low, bottom) + line(high, top, high, bottom);
}

std::string bar(const Axis& axis, std::string_view name, const std::optional<Figure>& figure, double y) {
  const std::string title(name);
  std::string svg = "<text class=\"figure\" x=\"0\" y=\"" + plain(y + 12.0) + "\">" + title +
                    "  <tspan class=\"value\">" +
                    (figure ? html(figures::figure_or_nothing(figure, "W")) : "not in the record") + "</tspan></text>";
  if (!figure) return svg;
  const double top = y + 18.0;
  svg += "<rect class=\"bar " + title + "\" x=\"0\" y=\"" + plain(top) + "\" width=\"" + x_of(axis, figure->value) +
         "\" height=\"" + plain(bar_height) + "\"/>";
  if (std::isfinite(figure->uncertainty)) svg += interval_mark(axis, *figure, top + bar_height / 2.0);
  return svg + "\n";
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

/// The same look without the page around it.
constexpr std::string_view standalone_style =
    "<style>text{font:13px "
    "system-ui,sans-serif;fill:#1d2b2c}.name{font-weight:600;font-size:15px}.value{font-weight:600}"
    ".mark{fill:#52605f}.grid{stroke:#d5d8d0}.bar{stroke:#1d5a5c}.bar.idle{fill:#2f7f80}.bar.load{fill:url(#hatch)}"
    ".hatch{stroke:#a85d12;stroke-width:4}.under{fill:#f3dfc4}.bar.load{stroke:#a85d12}"
    ".interval{stroke:#101818;stroke-width:1.6}.halo{stroke:#fbfaf6;stroke-width:4.5}</style>";

}  // namespace

std::string bar_chart(const figures::Comparison& comparison, bool standalone) {
  double highest = 0.0;
  for (const figures::DeviceRow& row : comparison.rows) highest = std::max({highest, reach(row.idle), reach(row.load)});
  const Axis axis = axis_for(0.0, highest);
  const double pitch = name_height + 2.0 * bar_pitch + device_gap;
  const double height = pitch * static_cast<double>(comparison.rows.size()) + axis_height;
  std::string svg = "<svg class=\"bars\" ";
  if (standalone) svg += "xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"-16 -8 752 " + plain(height + 16.0) + "\" ";
  svg += "width=\"" + std::string(standalone ? "720" : "100%") + "\" height=\"" + plain(height) +
         "\" role=\"img\" aria-label=\"Idle and load of each device with their intervals; the table has the same "
         "figures\">";
  if (standalone) svg += standalone_style;
  if (standalone) svg += "<rect x=\"-16\" y=\"-8\" width=\"100%\" height=\"100%\" fill=\"#fbfaf6\"/>";
  svg +=
      "<defs><pattern id=\"hatch\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" "
      "patternTransform=\"rotate(45)\"><rect class=\"under\" width=\"7\" height=\"7\"/><line class=\"hatch\" x1=\"0\" "
      "y1=\"0\" x2=\"0\" y2=\"7\"/></pattern></defs>\n";
  svg += grid(axis, height);
  double y = 0.0;
  for (const figures::DeviceRow& row : comparison.rows) {
    svg += "<text class=\"name\" x=\"0\" y=\"" + plain(y + 18.0) + "\">" +
           html(text::cut_to(text::printable(row.device.empty() ? "no name yet" : row.device), name_columns)) +
           "</text>" + bar(axis, "idle", row.idle, y + name_height) +
           bar(axis, "load", row.load, y + name_height + bar_pitch);
    y += pitch;
  }
  return svg + "</svg>\n";
}

}  // namespace nightwatt::page
