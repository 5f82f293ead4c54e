#include <algorithm>
#include <cmath>

#include "measure/signal/advice.hpp"
#include "measure/signal/time_text.hpp"
#include "page_text.hpp"
#include "parts.hpp"

namespace nightwatt::report {
namespace {

constexpr double height = 130.0, top_room = 14.0, bottom_room = 26.0;
constexpr double left_share = 0.12;  // of the width, for the scale
constexpr double right_share = 0.98;

/// What of the picture a level is at.
struct Scale {
  double low = 0.0, high = 1.0;
  [[nodiscard]] double y(double watts) const {
    return height - bottom_room - (watts - low) / (high - low) * (height - top_room - bottom_room);
  }
};

double reach(const NightLevel& night) {
  return 2.0 * std::hypot(night.random_w, night.display_w);
}

Scale scale_of(const std::vector<NightLevel>& nights) {
  Scale scale{nights.front().level_w, nights.front().level_w};
  for (const NightLevel& night : nights) {
    scale.low = std::min(scale.low, night.level_w - reach(night));
    scale.high = std::max(scale.high, night.level_w + reach(night));
  }
  // A level that hardly moves is to look so.
  const double least = 0.01 * std::abs(scale.high) + 1e-9, middle = 0.5 * (scale.low + scale.high);
  const double half = 0.55 * std::max(scale.high - scale.low, least);
  return {middle - half, middle + half};
}

std::string dots(const figures::History& history, const figures::FigureHistory& figure, const Scale& scale) {
  const double first = figure.nights.front().day;
  const double span = std::max(1e-9, figure.nights.back().day - first);
  std::string svg;
  for (std::size_t i = 0; i < figure.nights.size(); ++i) {
    const NightLevel& night = figure.nights[i];
    const std::string x = percent(left_share + (night.day - first) / span * (right_share - left_share - 0.02));
    const std::string low = plain(scale.y(night.level_w - reach(night)));
    const std::string high = plain(scale.y(night.level_w + reach(night)));
    svg += "<line class=\"interval\" x1=\"" + x + "\" x2=\"" + x + "\" y1=\"" + low + "\" y2=\"" + high +
           "\"/><circle class=\"dot\" r=\"3.5\" cx=\"" + x + "\" cy=\"" + plain(scale.y(night.level_w)) +
           "\"><title>run " + std::to_string(history.runs[figure.runs[i]].info.id) + ", " +
           local_text(history.runs[figure.runs[i]].begin()) + ": " + figures::number_text(night.level_w, "W") +
           "</title></circle>\n";
  }
  return svg;
}

std::string picture(const figures::History& history, const figures::FigureHistory& figure, const std::string& name) {
  const Scale scale = scale_of(figure.nights);
  std::string svg = "<svg class=\"bars\" width=\"100%\" height=\"" + plain(height) + "\" role=\"img\" aria-label=\"" +
                    html(name + " of " + history.device) + " from run to run; the sentences above say what moved\">";
  const Axis axis = axis_within(scale.low, scale.high);
  for (double watts = axis.bottom; watts <= axis.top + axis.step / 2.0; watts += axis.step) {
    const std::string y = plain(scale.y(watts));
    svg += "<line class=\"grid\" x1=\"" + percent(left_share - 0.01) + "\" x2=\"100%\" y1=\"" + y + "\" y2=\"" + y +
           "\"/><text class=\"mark\" x=\"0\" y=\"" + plain(scale.y(watts) + 4.0) + "\">" + plain(watts) + " W</text>";
  }
  const auto date = [&](std::size_t i) { return local_text(history.runs[figure.runs[i]].begin()).substr(0, 10); };
  svg += "<text class=\"mark\" x=\"" + percent(left_share - 0.01) + "\" y=\"" + plain(height - 6.0) + "\">" + date(0) +
         "</text><text class=\"mark\" x=\"100%\" text-anchor=\"end\" y=\"" + plain(height - 6.0) + "\">" +
         date(figure.runs.size() - 1) + "</text>\n";
  return svg + dots(history, figure, scale) + "</svg>\n";
}

}  // namespace

std::string history_section(const figures::History& history) {
  std::string text = "<section class=\"run history\"><h3>" + html(history.device) + " <small>" +
                     std::to_string(history.runs.size()) + " runs</small></h3>\n";
  for (const figures::HistoryGroup& group : history.groups)
    for (const figures::FigureHistory& figure : group.figures) {
      const std::string name(figures::followed_figures()[figure.figure].name);
      text += "<h4>" + name;
      if (history.groups.size() > 1)
        text += " on " + html(group.meter) + (group.conditions.empty() ? "" : ", " + html(group.conditions));
      text += "</h4><ul>";
      for (const std::string& line : figures::verdict_lines(history, figure)) text += "<li>" + html(line) + "</li>";
      text += "</ul>\n" + picture(history, figure, name);
    }
  if (!history.baselines.empty()) {
    text += "<ul>";
    for (const figures::LongBaseline& baseline : history.baselines)
      for (const std::string& line : figures::baseline_lines(history, baseline)) text += "<li>" + html(line) + "</li>";
    text += "</ul>\n";
  }
  if (!history.warnings.empty()) {
    text += "<ul class=\"warnings\">";
    for (const std::string& warning : history.warnings) text += "<li>" + html(without_advice(warning)) + "</li>\n";
    text += "</ul>";
  }
  return text + "</section>\n";
}

}  // namespace nightwatt::report
