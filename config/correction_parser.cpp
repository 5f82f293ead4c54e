#include "correction_parser.hpp"

#include "measure/signal/time_text.hpp"

namespace nightwatt::config {

namespace {

constexpr std::size_t date_limit = 32;
constexpr double highest_w = 1e6;
constexpr std::string_view remedy = "let nightwatt calibrate --write make it, or take the correction out";

std::optional<UtcTime> parse_date(CheckedTable& table, std::string_view key) {
  const auto text = table.text(key, date_limit);
  if (!text) {
    if (!table.has(key)) table.need(key, remedy);
    return std::nullopt;
  }
  constexpr std::size_t date_alone = 10;  // `2026-03-12`
  const auto time = parse_time(text->size() == date_alone ? *text + "T00:00:00Z" : *text);
  if (time) return *time;
  table.problem(key, "this is no date: " + *text, "write it as \"2026-03-12\"");
  return std::nullopt;
}

}  // namespace

std::optional<Correction> parse_correction(CheckedTable table) {
  Correction correction;
  correction.coefficients = table.numbers("coefficients", 2, 3);
  correction.covariance = table.numbers("covariance", 3, 6);
  const auto scatter = table.number("scatter_w", {0.0, highest_w});
  const auto from = table.number("from_w", {-highest_w, highest_w});
  const auto to = table.number("to_w", {-highest_w, highest_w});
  const auto made = parse_date(table, "made"), until = parse_date(table, "until");
  for (const std::string_view key : {"coefficients", "covariance", "from_w", "to_w"})
    if (!table.has(key)) table.need(key, remedy);
  table.finish();
  if (correction.coefficients.empty() || correction.covariance.empty() || !from || !to || !made || !until)
    return std::nullopt;
  correction.scatter_w = scatter.value_or(0.0);
  correction.from_w = *from;
  correction.to_w = *to;
  correction.made = *made;
  correction.until = *until;
  if (correction.sound()) return correction;
  table.problem("coefficients", "these numbers are no correction of a meter", remedy);
  return std::nullopt;
}

}  // namespace nightwatt::config
