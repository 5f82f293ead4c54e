// The figures of a run, and how they are written for people.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "figures/run_figures.hpp"
#include "measure/run/summary.hpp"

namespace nightwatt::figures {

/// One run with all that is known of it. An entered row has a summary of the two figures that were entered.
struct RunRecord {
  storage::RunInfo info;
  std::vector<Segment> segments;
  std::vector<Regime> regimes;  ///< what each segment was made of, with the sketches that were wanted
  Summary summary;
  Calendar calendar;       ///< how its times are shown
  Duration utc_offset{0};  ///< that of its end, for who shows only that
  double step_w = 0.0;     ///< the display's, from the traits or learnt; 0 while unknown
  RunTotals totals;

  [[nodiscard]] UtcTime shown(UtcTime record) const { return calendar.shown(record); }
};
/// `wanted`: all where budgets are to be made of it.
[[nodiscard]] Result<RunRecord> run_record(const storage::StoreReader& store, const storage::RunInfo& info,
                                           storage::Sketches wanted = storage::Sketches::where_needed);

/// What is known of the run's meter, for print.
[[nodiscard]] Shown shown_by(const RunRecord& record);
/// A segment's level, with as many digits as the meter can promise; nothing where none is quoted.
[[nodiscard]] std::optional<Figure> level_of(const RunRecord& record, const Segment& segment);

/// Says so where the meter's counter and the integral differ by more than their uncertainties.
[[nodiscard]] std::optional<std::string> counter_warning(const RunRecord& record);

/// Says so where nobody told whether the display rounds or cuts digits off, and a quoted level's interval would not
/// hold what it is if it cuts off.
[[nodiscard]] std::optional<std::string> rounding_warning(const RunRecord& record);

/// `25.02 ± 0.21 W`, or empty.
[[nodiscard]] std::string figure_or_nothing(const std::optional<Figure>& figure, std::string_view unit);
/// A number for people: about four significant digits, `4.217 Wh`.
[[nodiscard]] std::string number_text(double value, std::string_view unit);
/// A power as a display with that step could show it, and so many digits more for a mean of what it showed.
[[nodiscard]] std::string reading_text(double watts, double step_w, std::string_view unit, int more_digits = 0);
[[nodiscard]] std::string number_or_nothing(const std::optional<double>& value, std::string_view unit);
/// `2 off, 1 idle, 3 plateau`
[[nodiscard]] std::string counts_text(const Summary& summary);

}  // namespace nightwatt::figures
