#include "chart.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "measure/signal/digits.hpp"
#include "measure/signal/time_text.hpp"
#include "text/width.hpp"

namespace nightwatt::query {
namespace {

constexpr std::size_t scale_columns = 10;  // "1234.5 W |"
constexpr std::size_t most_columns = 200;  // wider says no more to the eye
constexpr int usual_rows = 12;
constexpr int eighths = 8;

/// Rounds up to 1, 2 or 5 times a power of ten: a scale one reads without a ruler.
double round_up(double value) {
  if (!(value > 0.0)) return 1.0;
  const double power = std::pow(10.0, std::floor(std::log10(value)));
  for (const double step : {1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0})
    if (value <= step * power) return step * power;
  return 10.0 * power;
}

struct Scale {
  double bottom;
  double top;
  int rows;
  /// Height above the bottom in eighths of a row.
  [[nodiscard]] int height(double value) const {
    return static_cast<int>(std::lround((value - bottom) / (top - bottom) * rows * eighths));
  }
  [[nodiscard]] double at_row(int row) const { return bottom + (top - bottom) * row / rows; }
};

Scale scale_of(const std::vector<Bin>& bins, int rows) {
  double lowest = 0.0, highest = 0.0;
  for (const Bin& bin : bins) {
    if (bin.samples == 0) continue;
    lowest = std::min(lowest, bin.lowest_w);
    highest = std::max(highest, bin.highest_w);
  }
  return {lowest < 0.0 ? -round_up(-lowest) : 0.0, round_up(highest), rows};
}

std::string_view cell(const Scale& scale, const Bin& bin, int row) {
  constexpr std::array<std::string_view, 9> blocks = {" ", "▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"};
  if (bin.samples == 0) return " ";
  const int base = row * eighths;
  // A reading is never invisible: at least an eighth of a row, for a peak as for zero.
  const int full = std::max(scale.height(bin.lowest_w), 1);
  const int light = std::max(scale.height(bin.highest_w), full);
  if (full >= base + eighths) return blocks[eighths];
  if (full > base) return light > full && light >= base + eighths ? "▓" : blocks[static_cast<std::size_t>(full - base)];
  if (light > base) return light >= base + eighths / 2 ? "░" : "·";
  return " ";
}

/// Scale marks are round numbers: no digits that say nothing.
std::string scale_text(double value) {
  return digits_of(value, std::chars_format::general, 4) + " W";
}

void add_curve(Frame& frame, const std::vector<Bin>& bins, const Scale& scale) {
  // A mark a third of the way, so that they stand apart on a small screen too.
  const int mark_every = std::max(1, (scale.rows + 3) / 4);
  for (int row = scale.rows - 1; row >= 0; --row) {
    std::string label;
    if ((scale.rows - 1 - row) % mark_every == 0) label = scale_text(scale.at_row(row + 1));
    FrameLine line;
    add(line, text::pad_left(label, scale_columns - 2) + " │", Tone::dim);
    for (const Bin& bin : bins) add(line, cell(scale, bin, row), bin.kind ? kind_tone(*bin.kind) : Tone::plain);
    frame.push_back(std::move(line));
  }
}

FrameLine strip_of(const std::vector<Bin>& bins, const Scale& scale) {
  FrameLine line;
  add(line, text::pad_left(scale_text(scale.bottom), scale_columns - 2) + " └");
  for (const Bin& bin : bins) {
    const char letter = bin.kind ? kind_letter(*bin.kind) : ' ';
    add(line, std::string_view(&letter, 1), bin.kind ? kind_tone(*bin.kind) : Tone::plain);
  }
  return line;
}

FrameLine axis_of(const std::vector<Bin>& bins, UtcTime begin, UtcTime end) {
  const std::string left = local_text(begin), right = local_text(end);
  const std::size_t used = left.size() + right.size();
  FrameLine line;
  add(line,
      std::string(scale_columns, ' ') + left + std::string(bins.size() > used ? bins.size() - used : 2, ' ') + right);
  return line;
}

FrameLine legend_of(const std::vector<Bin>& bins) {
  FrameLine line;
  add(line, std::string(scale_columns, ' '));
  for (const SegmentKind kind : all_segment_kinds) {
    if (std::none_of(bins.begin(), bins.end(), [&](const Bin& bin) { return bin.kind == kind; })) continue;
    add(line, std::string(1, kind_letter(kind)), kind_tone(kind));
    add(line, " " + std::string(segment_kind_name(kind)) + "   ");
  }
  add(line, "█ lowest ░ to highest");
  return line;
}

}  // namespace

Tone kind_tone(SegmentKind kind) {
  switch (kind) {
    case SegmentKind::off:
      return Tone::dim;
    case SegmentKind::standby:
      return Tone::blue;
    case SegmentKind::idle:
      return Tone::green;
    case SegmentKind::ramp:
      return Tone::yellow;
    case SegmentKind::plateau:
      return Tone::red;
    case SegmentKind::charging:
      return Tone::cyan;
    case SegmentKind::unsteady:
      return Tone::magenta;
    case SegmentKind::gap:
      return Tone::dim;
  }
  return Tone::plain;
}

char kind_letter(SegmentKind kind) {
  switch (kind) {
    case SegmentKind::off:
      return '_';
    case SegmentKind::standby:
      return 's';
    case SegmentKind::idle:
      return 'i';
    case SegmentKind::ramp:
      return '/';
    case SegmentKind::plateau:
      return 'P';
    case SegmentKind::charging:
      return 'c';
    case SegmentKind::unsteady:
      return '~';
    case SegmentKind::gap:
      return '.';
  }
  return '?';
}

std::size_t chart_columns(const Style& style) {
  return std::clamp(style.columns > scale_columns + 10 ? style.columns - scale_columns : 10, std::size_t{10},
                    most_columns);
}

Frame chart_frame(const std::vector<Bin>& bins, UtcTime begin, UtcTime end, std::size_t rows) {
  const Scale scale = scale_of(bins, static_cast<int>(rows));
  Frame frame;
  add_curve(frame, bins, scale);
  frame.push_back(strip_of(bins, scale));
  frame.push_back(axis_of(bins, begin, end));
  frame.push_back(legend_of(bins));
  return frame;
}

void write_chart(Sink& out, const Style& style, const std::vector<Bin>& bins, UtcTime begin, UtcTime end) {
  for (const FrameLine& line : chart_frame(bins, begin, end, usual_rows)) out.write(line_text(line, style) + "\n");
}

}  // namespace nightwatt::query
