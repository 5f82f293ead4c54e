#include "live_frame.hpp"

#include <algorithm>
#include <cmath>

#include "figures/budget_words.hpp"
#include "figures/figures.hpp"
#include "measure/signal/digits.hpp"
#include "measure/signal/time_text.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::query {
namespace {

constexpr std::size_t most_chart_rows = 16;
constexpr std::size_t below_chart = 3;  // kinds, times, legend

std::string percent_text(double share) {
  const double percent = share * 100.0;
  return digits_of(percent, std::chars_format::fixed, percent < 1.0 ? 2 : percent < 10.0 ? 1 : 0) + " %";
}

/// A wait is known to a figure or two: whole seconds below two minutes, then minutes, then hours.
std::string about_text(double seconds) {
  if (seconds < 120.0) return std::to_string(std::max(1L, std::lround(seconds))) + " s";
  if (seconds < 7200.0) return std::to_string(std::lround(seconds / 60.0)) + " min";
  return std::to_string(std::lround(seconds / 3600.0)) + " h";
}

const MeterState* chosen_meter(const LivePicture& picture) {
  return picture.chosen < picture.meters.size() ? &picture.meters[picture.chosen] : nullptr;
}

std::string figure_of(const LiveLevel& level) {
  const double size = std::abs(level.figure.value);
  std::string text = figure_text(level.figure, "W");
  if (size > level.figure.uncertainty && size > 0.0) text += " (" + percent_text(level.figure.uncertainty / size) + ")";
  return text;
}

FrameLine title_line(const LivePicture& picture, ScreenSize size) {
  FrameLine line;
  const MeterState* meter = chosen_meter(picture);
  const std::string name = picture.curve ? picture.curve->meter : meter != nullptr ? meter->name : "";
  add(line, name.empty() ? "no meter yet" : text::printable(name), Tone::strong);
  if (meter != nullptr) {
    const bool well = meter->state == "recording";
    add(line, "  ");
    add(line, text::printable(meter->state), well ? Tone::green : Tone::yellow);
  }
  if (picture.curve && !picture.curve->run.empty()) add(line, "  " + picture.curve->run);
  const std::string now = local_text(picture.now);
  const std::size_t used = line_width(line) + text::display_width(now);
  if (used + 2 <= size.columns) {
    add(line, std::string(size.columns - used, ' '));
    add(line, now, Tone::dim);
  }
  return line;
}

FrameLine power_line(const LivePicture& picture) {
  FrameLine line;
  const LiveCurve& curve = *picture.curve;
  add(line, curve.power.empty() ? "no reading yet" : curve.power, Tone::strong);
  if (curve.last) {
    const double age_s = to_seconds(picture.now - *curve.last).value;
    if (age_s >= 10.0) add(line, ", " + duration_text({std::floor(age_s)}) + " ago", Tone::yellow);
  }
  if (curve.kind) {
    add(line, "  ");
    add(line, segment_kind_name(*curve.kind), kind_tone(*curve.kind));
    add(line, " for " + duration_text({std::floor(curve.kind_for_s)}));
  } else if (curve.run.empty()) {
    add(line, "  no run is open", Tone::dim);
  }
  if (curve.settling) add(line, ", settling", Tone::yellow);
  return line;
}

FrameLine level_line(const LiveCurve& curve) {
  FrameLine line;
  if (!curve.level) {
    if (curve.kind) add(line, "no level yet: it has to be held for a while", Tone::dim);
    return line;
  }
  add(line, "level so far ");
  add(line, figure_of(*curve.level), Tone::strong);
  if (!curve.level->forecast) return line;
  const bool good = curve.level->forecast->verdict == LevelForecast::Verdict::good;
  const bool never = curve.level->forecast->verdict == LevelForecast::Verdict::never;
  add(line, "  ");
  add(line, forecast_text(*curve.level->forecast), good ? Tone::green : never ? Tone::yellow : Tone::plain);
  return line;
}

/// `this run so far  idle 7.30 ± 0.02 W  load 44.9 ± 0.2 W`
FrameLine so_far_line(const LiveCurve& curve) {
  FrameLine line;
  add(line, "this run so far", Tone::dim);
  for (const NamedFigure& one : curve.so_far) {
    add(line, "  " + std::string(one.name) + " ");
    add(line, figure_text(one.figure, "W"), Tone::strong);
  }
  return line;
}

Frame meter_lines(const LivePicture& picture) {
  Frame lines;
  std::size_t widest = 0;
  for (const MeterState& meter : picture.meters)
    widest = std::max(widest, text::display_width(text::printable(meter.name)));
  for (std::size_t i = 0; i < picture.meters.size(); ++i) {
    const MeterState& meter = picture.meters[i];
    FrameLine line;
    add(line, i == picture.chosen ? "> " : "  ");
    add(line, text::pad_right(text::printable(meter.name), widest), Tone::strong);
    add(line, "  " + text::printable(meter.state));
    if (meter.age_s) add(line, ", last reading " + duration_text({std::floor(std::max(0.0, *meter.age_s))}) + " ago");
    if (meter.readings) add(line, ", " + std::to_string(*meter.readings) + " readings");
    if (meter.faults.value_or(0) > 0) add(line, ", " + std::to_string(*meter.faults) + " faults", Tone::yellow);
    lines.push_back(std::move(line));
  }
  return lines;
}

FrameLine key_line(const LivePicture& picture, const LiveChoice& choice, bool with_meters) {
  FrameLine line;
  std::string text = "q quits   + - other than " + std::to_string(std::lround(choice.minutes)) + " min";
  if (with_meters && picture.meters.size() > 1) text += "   Tab next meter";
  add(line, text, Tone::dim);
  return line;
}

Frame head_of(const LivePicture& picture, ScreenSize size) {
  Frame head = {title_line(picture, size)};
  if (!picture.trouble.empty()) head.push_back({{picture.trouble, Tone::yellow}});
  if (picture.curve) {
    head.push_back(power_line(picture));
    head.push_back(level_line(*picture.curve));
    if (!picture.curve->so_far.empty()) head.push_back(so_far_line(*picture.curve));
  }
  return head;
}

void add_field(JsonWriter& json, const char* name, const std::string& text) {
  text.empty() ? json.key(name).null() : json.field(name, text);
}

}  // namespace

std::string forecast_text(const LevelForecast& forecast) {
  switch (forecast.verdict) {
    case LevelForecast::Verdict::good:
      return "good to 1 %";
    case LevelForecast::Verdict::later:
      return "good to 1 % in about " + about_text(forecast.wait_s.value_or(0.0));
    case LevelForecast::Verdict::never:
      return "will not get to 1 %: " + figures::limits_text(forecast.limits) + " leaves " +
             percent_text(forecast.least_share);
  }
  return {};
}

std::size_t live_columns(ScreenSize size) {
  Style style;
  style.columns = size.columns;
  return chart_columns(style);
}

Frame live_frame(const LivePicture& picture, const LiveChoice& choice, ScreenSize size, bool with_meters) {
  Frame frame = head_of(picture, size);
  if (size.rows <= frame.size()) {
    frame.resize(size.rows);
    for (FrameLine& line : frame) line = cut_line(line, size.columns);
    return frame;
  }
  Frame meters = with_meters ? meter_lines(picture) : Frame{};
  std::size_t room = size.rows - frame.size() - 1;  // the last row is for the keys
  const bool drawn = picture.curve && !picture.curve->bins.empty();
  const std::size_t chart_least = drawn ? least_chart_rows + below_chart + 1 : 0;
  if (!meters.empty() && meters.size() + 1 + chart_least > room)
    meters.resize(room > chart_least + 1 ? room - chart_least - 1 : 0);
  if (!meters.empty()) room -= meters.size() + 1;
  if (drawn && room >= chart_least) {
    // A multiple of four, so that the scale's marks are quarters of a round number.
    const std::size_t most = std::min(room - below_chart - 1, most_chart_rows);
    const std::size_t rows = most > 4 ? most - most % 4 : most;
    frame.emplace_back();
    for (FrameLine& line : chart_frame(picture.curve->bins, picture.curve->from, picture.curve->to, rows))
      frame.push_back(std::move(line));
  }
  if (!meters.empty()) frame.emplace_back();
  for (FrameLine& line : meters) frame.push_back(std::move(line));
  frame.resize(size.rows - 1);
  frame.push_back(key_line(picture, choice, with_meters));
  for (FrameLine& line : frame) line = cut_line(line, size.columns);
  return frame;
}

std::string live_line(const LivePicture& picture) {
  std::string line = local_text(picture.now);
  const MeterState* meter = chosen_meter(picture);
  if (picture.curve || meter != nullptr)
    line += "  " + text::printable(picture.curve ? picture.curve->meter : meter->name);
  if (meter != nullptr && meter->state != "recording") line += "  " + text::printable(meter->state);
  const Style plain;
  if (picture.curve) {
    const LiveCurve& curve = *picture.curve;
    if (!curve.run.empty()) line += "  " + curve.run;
    line += "  " + line_text(power_line(picture), plain);
    if (const std::string level = line_text(level_line(curve), plain); !level.empty()) line += "  " + level;
  }
  if (!picture.trouble.empty()) line += "  " + picture.trouble;
  return line;
}

void write_live_json(Sink& out, const LivePicture& picture) {
  JsonWriter json(out);
  const MeterState* meter = chosen_meter(picture);
  json.begin_document().field("time", picture.now).field("service", picture.running ? "running" : "down");
  add_field(json, "meter", picture.curve ? picture.curve->meter : meter != nullptr ? meter->name : "");
  add_field(json, "state", meter != nullptr ? meter->state : "");
  const LiveCurve none;
  const LiveCurve& curve = picture.curve ? *picture.curve : none;
  json.field("run", curve.run_id).field("device", curve.device).field("last", curve.last);
  json.key("power_w");
  const auto power = Decimal::parse(std::string_view(curve.power).substr(0, curve.power.find(' ')));
  power ? json.value(*power) : json.null();
  add_field(json, "kind", curve.kind ? std::string(segment_kind_name(*curve.kind)) : "");
  json.field("kind_s", curve.kind_for_s).field("settling", curve.settling);
  std::optional<double> level_w, uncertainty_w, wait_s;
  std::optional<bool> good;
  std::string limit;
  if (curve.level) {
    level_w = curve.level->figure.value;
    uncertainty_w = curve.level->figure.uncertainty;
    if (const auto& forecast = curve.level->forecast) {
      good = forecast->verdict == LevelForecast::Verdict::good;
      wait_s = forecast->wait_s;
      if (forecast->verdict == LevelForecast::Verdict::never) limit = figures::limits_text(forecast->limits);
    }
  }
  json.field("level_w", level_w).field("uncertainty_w", uncertainty_w).field("good_to_1_percent", good);
  json.field("good_in_s", wait_s);
  add_field(json, "limited_by", limit);
  json.key("so_far").begin_object();
  for (const NamedFigure& one : curve.so_far) {
    json.field(std::string(one.name) + "_w", one.figure.value);
    json.field(std::string(one.name) + "_uncertainty_w", one.figure.uncertainty);
  }
  json.end_object();
  add_field(json, "trouble", picture.trouble);
  json.end_object();
}

}  // namespace nightwatt::query
