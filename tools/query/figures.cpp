#include "figures.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <functional>
#include <numeric>

namespace nightwatt::query {
namespace {

constexpr std::array all_kinds = {SegmentKind::off,     SegmentKind::standby,  SegmentKind::idle, SegmentKind::ramp,
                                  SegmentKind::plateau, SegmentKind::unsteady, SegmentKind::gap};

/// What was read once from a display: the step is all that is known of its uncertainty, a rectangle of half a step to
/// either side (GUM F.2.2.1: u = step / sqrt 12), k = 2. Without a step the uncertainty is unknown.
std::optional<Figure> entered_figure(const std::optional<double>& value, const MeterTraits& traits) {
  if (!value) return std::nullopt;
  const double accuracy = traits.accuracy ? traits.accuracy->half_width(*value) / std::sqrt(3.0) : 0.0;
  const double step = traits.resolution_w.value_or(std::nan("")) / std::sqrt(12.0);
  return Figure{*value, 2.0 * std::hypot(step, accuracy)};
}

double seconds_of(const Segment& segment) {
  return to_seconds(segment.end - segment.begin).value;
}

/// How long a run held the level quoted as `figure`: all segments of `kind`, or of plateaus the one that was quoted.
double held_s(const RunRecord& record, SegmentKind kind, const Figure& figure) {
  double seconds = 0.0;
  for (const Segment& segment : record.segments) {
    if (segment.kind != kind) continue;
    if (kind == SegmentKind::plateau && !(segment.level_w == figure.value)) continue;
    seconds += seconds_of(segment);
  }
  return seconds > 0.0 ? seconds : 1.0;
}

struct Part {
  Figure figure;
  double weight;
};

/// The between-run term is the standard uncertainty of a weighted mean of few runs, with their own weighted spread
/// (GUM 4.2.3, weights in place of 1/n).
std::optional<Figure> pool(const std::vector<Part>& parts) {
  if (parts.empty()) return std::nullopt;
  if (parts.size() == 1) return parts.front().figure;
  double total = 0.0;
  for (const Part& part : parts) total += part.weight;
  double mean = 0.0, own = 0.0, squares = 0.0;
  for (const Part& part : parts) {
    const double share = part.weight / total;
    mean += share * part.figure.value;
    own += share * part.figure.uncertainty;
    squares += share * share;
  }
  double spread = 0.0;
  for (const Part& part : parts)
    spread += part.weight / total * (part.figure.value - mean) * (part.figure.value - mean);
  const double between = squares < 1.0 ? spread / (1.0 - squares) * squares : 0.0;
  return Figure{mean, std::hypot(own, 2.0 * std::sqrt(between))};
}

}  // namespace

Result<RunRecord> run_record(const storage::StoreReader& store, const storage::RunInfo& info) {
  RunRecord record;
  record.info = info;
  if (info.origin == storage::RunOrigin::entered) {
    record.summary.idle = entered_figure(info.entered_idle_w, info.traits);
    record.summary.load = entered_figure(info.entered_load_w, info.traits);
    record.summary.warnings.emplace_back("read from a display and entered by hand: there are no readings behind it");
    return record;
  }
  auto figures = storage::run_figures(store, info.id);
  if (!figures) return tl::unexpected(figures.error());
  record.summary = summarise(figures->segments, figures->totals, figures->segment_warnings, figures->clock_steps);
  record.info = std::move(figures->info);
  record.segments = std::move(figures->segments);
  record.shift = figures->shift;
  return record;
}

DeviceRow pooled(std::string device, std::span<const RunRecord> records) {
  DeviceRow row;
  row.device = std::move(device);
  std::vector<Part> idle, load, standby;
  for (const RunRecord& record : records) {
    row.runs.push_back(record.info.id);
    row.entered = row.entered || record.info.origin == storage::RunOrigin::entered;
    const Summary& s = record.summary;
    if (s.idle) idle.push_back({*s.idle, held_s(record, SegmentKind::idle, *s.idle)});
    if (s.load) load.push_back({*s.load, held_s(record, SegmentKind::plateau, *s.load)});
    if (s.standby) standby.push_back({*s.standby, held_s(record, SegmentKind::standby, *s.standby)});
    if (s.energy_wh) row.energy_wh = row.energy_wh.value_or(0.0) + *s.energy_wh;
  }
  row.idle = pool(idle);
  row.load = pool(load);
  row.standby = pool(standby);
  return row;
}

std::string figure_or_nothing(const std::optional<Figure>& figure, std::string_view unit) {
  if (!figure) return {};
  if (!std::isfinite(figure->uncertainty)) return number_text(figure->value, unit);
  return figure_text(*figure, unit);
}

std::string number_text(double value, std::string_view unit) {
  constexpr int significant = 4;
  const int whole_digits = std::fabs(value) < 1.0 ? 1 : static_cast<int>(std::floor(std::log10(std::fabs(value)))) + 1;
  const int decimals = std::max(0, std::min(3, significant - whole_digits));
  std::array<char, 400> digits{};  // a double in fixed notation has at most 309 digits before the point
  const auto end =
      std::to_chars(digits.data(), digits.data() + digits.size(), value, std::chars_format::fixed, decimals);
  std::string text(digits.data(), end.ptr);
  if (text.find_first_not_of("-0.") == std::string::npos && text.front() == '-') text.erase(0, 1);
  if (!unit.empty()) text.append(" ").append(unit);
  return text;
}

std::string number_or_nothing(const std::optional<double>& value, std::string_view unit) {
  return value ? number_text(*value, unit) : std::string();
}

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
    case SegmentKind::unsteady:
      return '~';
    case SegmentKind::gap:
      return '.';
  }
  return '?';
}

std::string counts_text(const Summary& summary) {
  std::string text;
  for (const SegmentKind kind : all_kinds) {
    const int count = summary.segments[static_cast<std::size_t>(kind)];
    if (count == 0) continue;
    if (!text.empty()) text += ", ";
    text += std::to_string(count) + " " + std::string(segment_kind_name(kind));
  }
  return text;
}

void write_figure(JsonWriter& json, std::string_view name, const std::optional<Figure>& figure) {
  json.key(std::string(name) + "_w");
  figure ? json.value(figure->value) : json.null();
  json.key(std::string(name) + "_uncertainty_w");
  figure ? json.value(figure->uncertainty) : json.null();
}

void write_segments(JsonWriter& json, std::span<const Segment> segments, Duration shift) {
  json.begin_array();
  for (const Segment& s : segments) {
    json.line_break().begin_object();
    json.field("kind", segment_kind_name(s.kind)).field("begin", s.begin + shift).field("end", s.end + shift);
    json.field("samples", s.samples).field("level_w", s.level_w).field("uncertainty_w", s.uncertainty_w);
    json.field("mean_w", s.mean_w).field("settled_w", s.settled_w).field("settling_s", s.settling_s);
    json.field("lowest_w", s.lowest_w).field("highest_w", s.highest_w).field("energy_wh", s.energy_wh);
    json.field("excursions", s.excursions).field("open", s.open);
    json.field("begin_uncertainty_s", s.begin_uncertainty_s).field("end_uncertainty_s", s.end_uncertainty_s);
    json.field("settling_unfinished", s.settling_unfinished)
        .field("duty", s.duty)
        .field("drift_w_per_h", s.drift_w_per_h);
    json.end_object();
  }
  json.end_array();
}

}  // namespace nightwatt::query
