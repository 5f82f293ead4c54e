// A history in words and as JSON.
#include <algorithm>
#include <cmath>

#include "figures/history.hpp"
#include "figures/run_json.hpp"
#include "measure/signal/time_text.hpp"

namespace nightwatt::figures {
namespace {

std::string date_of(UtcTime shown) {
  return local_text(shown).substr(0, 10);
}

std::string signed_text(double value, double uncertainty, const std::string& unit) {
  const std::string text = figure_text({std::abs(value), uncertainty}, unit);
  return (value < 0.0 ? "- " : "+ ") + text;
}

/// Both levels with as many digits as the change is known to.
std::string levels_text(const LevelChange& change) {
  const auto bare = [&](double value) {
    const std::string text = figure_text({value, change.uncertainty_w}, "W");
    return text.substr(0, text.find(' '));
  };
  return bare(change.before_w) + " → " + bare(change.after_w) + " W";
}

std::string between_dates(UtcTime from, UtcTime to) {
  if (date_of(from) == date_of(to)) return "on " + date_of(from);
  return "between " + date_of(from) + " and " + date_of(to);
}

std::vector<UtcTime> begins_of(const History& history, const FigureHistory& figure) {
  std::vector<UtcTime> begins;
  for (const std::size_t run : figure.runs) begins.push_back(history.runs[run].begin());
  return begins;
}

std::string nights_word(std::size_t n) {
  return n == 1 ? "1 night" : std::to_string(n) + " nights";
}

void write_slope(text::JsonWriter& json, std::string_view name, const std::optional<Slope>& slope) {
  json.key(name);
  slope ? json.value(slope->value) : json.null();
  json.key(std::string(name) + "_uncertainty");
  slope ? json.value(slope->uncertainty) : json.null();
}

/// `run_of`: the run of each night; empty for the days of one run.
void write_verdict(text::JsonWriter& json, const HistoryVerdict& verdict, const std::vector<UtcTime>& nights) {
  json.field("judged", verdict.judged).field("between_nights_w", verdict.between_w);
  json.field("last_less_before_w", verdict.last_w);
  json.key("last_less_before_uncertainty_w");
  verdict.last_w ? json.value(verdict.last_uncertainty_w) : json.null();
  write_slope(json, "w_per_degree", verdict.w_per_degree);
  json.key("changes").begin_array();
  for (const LevelChange& change : verdict.changes)
    json.line_break()
        .begin_object()
        .field("shape", change_shape_name(change.shape))
        .field("shape_sure", change.shape_sure)
        .field("from", nights[change.from])
        .field("to", nights[change.to])
        .field("earliest", nights[change.earliest])
        .field("latest", nights[change.latest])
        .field("before_w", change.before_w)
        .field("after_w", change.after_w)
        .field("change_w", change.change_w)
        .field("change_uncertainty_w", change.uncertainty_w)
        .field("w_per_day", change.w_per_day)
        .field("false_share", change.false_share)
        .end_object();
  json.end_array();
}

void write_baseline(text::JsonWriter& json, const History& history, const LongBaseline& baseline) {
  json.line_break().begin_object().field("run", history.runs[baseline.run].info.id);
  json.field("days", static_cast<std::int64_t>(baseline.days.size()));
  write_slope(json, "drift_w_per_week", baseline.drift_w_per_week);
  write_verdict(json, baseline.verdict, baseline.day_begins);
  json.field("has_pattern", baseline.has_pattern).key("hours").begin_array();
  for (std::size_t hour = 0; hour < baseline.hours.size(); ++hour) {
    if (!baseline.hours[hour]) continue;
    json.line_break().begin_object().field("hour", static_cast<std::int64_t>(hour));
    json.field("w", baseline.hours[hour]->value).field("uncertainty_w", baseline.hours[hour]->uncertainty).end_object();
  }
  json.end_array().end_object();
}

}  // namespace

std::string change_text(const LevelChange& change, const std::vector<UtcTime>& nights) {
  const std::string by = signed_text(change.change_w, change.uncertainty_w, "W");
  switch (change.shape) {
    case ChangeShape::step: {
      std::string text = std::string(change.shape_sure ? "step" : "step or creep, the nights do not tell which") +
                         ", " + levels_text(change) + " " + between_dates(nights[change.from], nights[change.to]) +
                         ", " + by;
      if (change.earliest != change.from || change.latest != change.to)
        text += " (or as well " + between_dates(nights[change.earliest], nights[change.latest]) + ")";
      return text;
    }
    case ChangeShape::creep:
      return std::string(change.shape_sure ? "creep" : "creep or step, the nights do not tell which") + ", " +
             levels_text(change) + " from " + date_of(nights[change.from]) + " to " + date_of(nights[change.to]) +
             ", " + by;
    case ChangeShape::apart:
      return (change.from == change.to ? "one night apart, " + date_of(nights[change.from])
                                       : nights_word(change.to - change.from + 1) + " apart, " +
                                             date_of(nights[change.from]) + " to " + date_of(nights[change.to])) +
             ": " + by + " beside the rest";
  }
  return by;
}

std::vector<std::string> verdict_lines(const History& history, const FigureHistory& figure) {
  const HistoryVerdict& verdict = figure.verdict;
  const std::vector<UtcTime> nights = begins_of(history, figure);
  std::vector<std::string> lines;
  for (const LevelChange& change : verdict.changes) lines.push_back(change_text(change, nights));
  if (!verdict.judged) {
    lines.push_back("last less before " + signed_text(*verdict.last_w, verdict.last_uncertainty_w, "W") + "; " +
                    nights_word(nights.size()) + " do not tell how much it varies by itself, " +
                    std::to_string(least_nights) + " do");
  } else if (verdict.changes.empty()) {
    std::string text = "no change in " + nights_word(nights.size());
    text += verdict.between_w > 0.0 ? "; they vary by " + number_text(verdict.between_w, "W") + " from night to night"
                                    : "; they vary by no more than their own chance";
    lines.push_back(text);
  }
  if (verdict.w_per_degree)
    lines.push_back("with the room's temperature " +
                    signed_text(verdict.w_per_degree->value, verdict.w_per_degree->uncertainty, "W/°C") +
                    ", taken out before");
  return lines;
}

std::vector<std::string> baseline_lines(const History& history, const LongBaseline& baseline) {
  const std::string run = "run " + std::to_string(history.runs[baseline.run].info.id);
  std::vector<std::string> lines;
  for (const LevelChange& change : baseline.verdict.changes)
    lines.push_back(run + ": " + change_text(change, baseline.day_begins));
  std::string text = run + ": " + std::to_string(baseline.days.size()) + " days at idle";
  if (baseline.drift_w_per_week)
    text += ", drift " + signed_text(baseline.drift_w_per_week->value, baseline.drift_w_per_week->uncertainty, "W") +
            " a week";
  lines.push_back(text);
  if (!baseline.has_pattern) return lines;
  std::size_t high = 0, low = 0;
  const auto at = [&](std::size_t hour) { return baseline.hours[hour] ? baseline.hours[hour]->value : 0.0; };
  for (std::size_t hour = 1; hour < baseline.hours.size(); ++hour) {
    if (at(hour) > at(high)) high = hour;
    if (at(hour) < at(low)) low = hour;
  }
  const auto words = [&](std::size_t hour) {
    return std::to_string(hour) + " h " +
           signed_text(at(hour), baseline.hours[hour] ? baseline.hours[hour]->uncertainty : 0.0, "W");
  };
  lines.push_back(run + ": the day has a pattern, highest at " + words(high) + ", lowest at " + words(low));
  return lines;
}

void write_history(text::JsonWriter& json, const History& history) {
  json.begin_document().field("device", history.device).key("runs").begin_array();
  for (const HistoryRun& run : history.runs) {
    json.line_break().begin_object().field("run", run.info.id).field("meter", run.info.meter);
    json.field("begin", run.begin()).field("open", !run.info.end.has_value());
    for (std::size_t f = 0; f < followed_count; ++f) write_figure(json, followed_figures()[f].name, run.figures[f]);
    json.key("includes").begin_array();
    for (const std::string& item : run.info.includes) json.value(item);
    json.end_array().key("set").begin_object();
    for (const auto& [key, value] : run.info.conditions) json.field(key, value);
    json.end_object().end_object();
  }
  json.end_array().key("figures").begin_array();
  for (const HistoryGroup& group : history.groups)
    for (const FigureHistory& figure : group.figures) {
      json.line_break().begin_object().field("figure", followed_figures()[figure.figure].name);
      json.field("meter", group.meter).field("conditions", group.conditions).key("runs").begin_array();
      for (const std::size_t run : figure.runs) json.value(history.runs[run].info.id);
      json.end_array();
      write_verdict(json, figure.verdict, begins_of(history, figure));
      json.end_object();
    }
  json.end_array().key("baselines").begin_array();
  for (const LongBaseline& baseline : history.baselines) write_baseline(json, history, baseline);
  json.end_array().key("warnings").begin_array();
  for (const std::string& warning : history.warnings) json.value(warning);
  json.end_array().end_object();
}

}  // namespace nightwatt::figures
