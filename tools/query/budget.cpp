#include "budget.hpp"

#include <array>
#include <charconv>
#include <cmath>

#include "measure/time_text.hpp"
#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::query {
namespace {

/// More readings than this are not held at once: at ten a second it is a level of four months.
constexpr std::size_t reading_limit = 100'000'000;

struct Series {
  std::vector<double> times_s, power_w, counter_times_s, counter_wh;
};

Result<Series> series_of(const storage::StoreReader& store, storage::StreamId stream, const Segment& segment) {
  Series series;
  const auto read = store.readings(stream, segment.begin, segment.end, [&](const Reading& reading) {
    const double time_s = to_seconds(reading.time - segment.begin).value;
    if (const auto power = reading.values.get(Quantity::power)) {
      series.times_s.push_back(time_s);
      series.power_w.push_back(power->value());
    }
    if (const auto energy = reading.values.get(Quantity::energy)) {
      series.counter_times_s.push_back(time_s);
      series.counter_wh.push_back(energy->value());
    }
    return series.times_s.size() < reading_limit;
  });
  if (!read) return tl::unexpected(read.error());
  return series;
}

std::string percent_text(double share) {
  const int whole = static_cast<int>(std::lround(100.0 * share));
  return (whole < 10 ? "  " : whole < 100 ? " " : "") + std::to_string(whole) + " %";
}

/// Two significant digits: a standard uncertainty has no more.
std::string small_text(double value) {
  std::array<char, 32> digits{};
  const auto end = std::to_chars(digits.data(), digits.data() + digits.size(), value, std::chars_format::general, 2);
  return std::string(digits.data(), end.ptr);
}

}  // namespace

Result<std::vector<SegmentBudget>> run_budgets(const storage::StoreReader& store, const RunRecord& record) {
  std::vector<SegmentBudget> budgets;
  if (record.info.origin == storage::RunOrigin::entered) return budgets;
  for (const Segment& segment : record.segments) {
    if (!segment.level_w) continue;
    const Result<Series> series = series_of(store, record.info.stream, segment);
    if (!series) return tl::unexpected(series.error());
    BudgetInput input;
    input.power = {series->times_s, series->power_w};
    input.counter = {series->counter_times_s, series->counter_wh};
    input.traits = record.info.traits;
    std::optional<LevelBudget> budget = level_budget(input);
    if (!budget) continue;  // its raw readings have given way to coarser ones
    budgets.push_back({segment, std::move(*budget), stability(input)});
  }
  return budgets;
}

void write_budgets(JsonWriter& json, const std::vector<SegmentBudget>& budgets, Duration shift) {
  json.begin_array();
  for (const SegmentBudget& entry : budgets) {
    const LevelBudget& b = entry.budget;
    json.line_break().begin_object().field("kind", segment_kind_name(entry.segment.kind));
    json.field("begin", entry.segment.begin + shift).field("end", entry.segment.end + shift);
    json.field("level_w", b.level_w).field("uncertainty_w", b.uncertainty_w).field("standard_w", b.standard_w);
    json.field("coverage_factor", b.coverage_factor).field("freedom", b.freedom);
    json.field("readings", b.readings).field("effective_readings", b.effective_readings);
    json.field("step_w", b.step_w).field("noise_w", b.noise_w).field("bounded_by_display", b.bounded_by_display);
    json.field("slope_w_per_h", b.slope_w_per_h).field("slope_uncertainty_w_per_h", b.slope_uncertainty_w_per_h);
    json.key("stable");
    entry.stability ? json.value(entry.stability->words) : json.null();
    json.key("parts").begin_array();
    for (const BudgetPart& part : b.parts) {
      json.begin_object().field("name", part.name).field("uncertainty_w", part.uncertainty_w);
      json.field("freedom", part.freedom).field("share", part.share).field("how", part.how).end_object();
    }
    json.end_array().key("warnings").begin_array();
    for (const std::string& warning : b.warnings) json.value(warning);
    json.end_array().end_object();
  }
  json.end_array();
}

void write_budgets(Context& context, const std::vector<SegmentBudget>& budgets, Duration shift) {
  if (budgets.empty()) context.out.write("  no steady level whose readings are still there: no budget\n");
  for (const SegmentBudget& entry : budgets) {
    const LevelBudget& b = entry.budget;
    context.out.write("\n" + toned(context.style, Tone::strong, std::string(segment_kind_name(entry.segment.kind))) +
                      " from " + local_text(entry.segment.begin + shift) + ", " +
                      duration_text(to_seconds(entry.segment.end - entry.segment.begin)) + ": " +
                      figure_text({b.level_w, b.uncertainty_w}, "W") + " at 95 %, coverage factor " +
                      number_text(b.coverage_factor, "") + "\n");
    for (const BudgetPart& part : b.parts)
      context.out.write("  " + text::pad_right(part.name, 16) +
                        text::pad_right(small_text(part.uncertainty_w) + " W", 12) + percent_text(part.share) + "  " +
                        text::printable(part.how) + "\n");
    if (entry.stability) context.out.write("  " + text::printable(entry.stability->words) + "\n");
    for (const std::string& warning : b.warnings)
      context.out.write("  " + toned(context.style, Tone::yellow, "warning:") + " " + text::printable(warning) + "\n");
  }
}

}  // namespace nightwatt::query
