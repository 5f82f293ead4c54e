// The rows of a file: how they write times and numbers, and which column is the time where several may be.
#include <algorithm>

#include "attempt.hpp"
#include "csv/column_name.hpp"
#include "evidence.hpp"
#include "text/printable.hpp"

namespace nightwatt::csv {
namespace {

/// Rows that are looked at even where the first ones decide: half an hour at a reading a second.
constexpr std::size_t least_rows = 2'000;

class RowLook {
 public:
  RowLook(Attempt& attempt, const SaidForm& said, Columns columns, Records& records, Fields& fields)
      : attempt_(attempt),
        said_(said),
        said_time_(said.time),
        columns_(std::move(columns)),
        records_(records),
        fields_(fields) {}

  Result<void> look_at_rows() {
    Form& form = attempt_.form;
    std::optional<TimeEvidence> times;
    NumberEvidence powers, others;
    std::string scratch, last_power;
    std::uint64_t first_line = 0;
    for (std::size_t rows = 0; rows < least_rows || !times->decided(); ++rows) {
      const auto record = records_.next();
      if (!record) return tl::unexpected(record.error());
      if (!*record) break;
      if (is_no_row(**record)) {
        --rows;
        continue;
      }
      const auto& fields = fields_.of(**record);
      if (rows == 0) {
        first_line = (*record)->line;
        if (!choose_time(fields)) return {};
        const ColumnMeaning meaning = meaning_of_column(columns_.names[form.time.at[0]]);
        if (meaning.is_elapsed && !said_time_ && is_time_of_day(time_text(form, fields, scratch)))
          said_time_ = TimeForm{TimeKind::elapsed, DateOrder::year_first, 1e6};
        named_utc_ = form.header_line > 0 && meaning.is_utc;
        times.emplace(said_time_, form.header_line > 0 ? meaning.us_per_unit : std::nullopt,
                      form.header_line > 0 && meaning.role == ColumnRole::date);
      }
      if (fields.size() < form.columns) break;
      if (rows == 0) {
        attempt_.stage = Stage::whole_row;
        const bool more = std::any_of(fields.begin() + static_cast<std::ptrdiff_t>(form.columns), fields.end(),
                                      [](std::string_view field) { return !field.empty(); });
        if (more) break;
      }
      const std::string_view time = time_text(form, fields, scratch);
      const std::string_view power = fields[form.power.at[0]];
      if (!times->add(time)) {
        if (rows == 0 && is_time_of_day(time)) refuse_no_date(first_line, time);
        break;
      }
      if (rows == 0 && !said_time_ && is_time_of_day(time)) {
        refuse_no_date(first_line, time);
        break;
      }
      powers.add(power);
      if (rows == 0)
        attempt_.stage = looks_like_number(power) || says_nothing(power) ? Stage::power_read : Stage::time_read;
      for (std::size_t i = 0; i < fields.size(); ++i)
        if (i != form.power.at[0] && std::find(form.time.at.begin(), form.time.at.end(), i) == form.time.at.end())
          others.add(fields[i]);
      if (times->same_as_before() && differ(power, last_power)) form.coarse = true;
      last_power = power;
    }
    if (attempt_.error || !times) return {};
    return conclude(*times, powers, others, first_line);
  }

 private:
  /// Of several columns that may be the time, the one that is, by the first row. False: refused.
  bool choose_time(const std::vector<std::string_view>& fields) {
    Form& form = attempt_.form;
    const auto take = [&](std::vector<std::size_t> columns) {
      form.time.at = std::move(columns);
      form.time.shown = shown_column(form, columns_.names, form.time.at[0]);
      if (form.time.at.size() == 2) form.time.shown += " and " + shown_column(form, columns_.names, form.time.at[1]);
      return true;
    };
    if (said_.options.time) return take(columns_.times);
    std::vector<std::size_t> full, dates, clocks;
    for (const std::size_t column : columns_.times) {
      if (column >= fields.size()) continue;
      if (is_time_of_day(fields[column]))
        clocks.push_back(column);
      else if (is_date_alone(fields[column]))
        dates.push_back(column);
      else if (looks_like_time(fields[column]))
        full.push_back(column);
    }
    if (full.empty() && dates.size() == 1 && clocks.size() == 1) return take({dates[0], clocks[0]});
    // 20260105 and 210000: the latter alone is as good as a number of seconds.
    if (full.size() == 1 && dates.size() == 1 && time_number(fields[full[0]]) && fields[full[0]].size() <= 6)
      return take({dates[0], full[0]});
    if (full.size() == 1) return take(full);
    if (columns_.times.size() == 1) return take(columns_.times);
    const auto named = std::find_if(columns_.times.begin(), columns_.times.end(),
                                    [&](std::size_t column) { return lower(columns_.names[column]) == "time"; });
    if (named != columns_.times.end()) return take({*named});
    Names several;
    for (const std::size_t column : columns_.times) several.push_back(columns_.names[column]);
    attempt_.refuse(form.header_line, "more than one column may be the time: " + shown_names(several) +
                                          "; name one with --time NAME or --time NUMBER");
    return false;
  }

  /// As numbers, whatever their signs mean: 5 and 5.0 do not.
  static bool differ(std::string_view one, std::string_view other) {
    const auto a = time_number(one);
    const auto b = time_number(other);
    return a && b ? *a != *b : one != other;
  }

  void refuse_no_date(std::uint64_t line, std::string_view time) {
    attempt_.refuse(line,
                    "the time " + text::quoted(time) +
                        " has no date; name the column with the date too (--time DATE+TIME), or count from 0 with "
                        "--date-format elapsed");
  }

  Result<void> conclude(const TimeEvidence& times, const NumberEvidence& powers, const NumberEvidence& others,
                        std::uint64_t first_line) {
    Form& form = attempt_.form;
    const auto time = times.found();
    if (!time) {
      attempt_.refuse(first_line, time.error());
      return {};
    }
    form.time_form = time->form;
    form.backwards = time->backwards;
    form.looks_unix = time->looks_unix;
    form.names_month = time->names_month;
    form.usual_step_us = time->usual_step_us;
    form.zone_matters = time->is_shown;
    if (form.zone_matters && !said_.options.zone && named_utc_) {
      form.zone_text = "UTC";
    } else if (form.zone_matters && !said_.options.zone) {
      form.zone = Zone::local();
      form.zone_text = "local time";
    }
    const auto numbers = number_form_of(powers, others, said_.decimal);
    if (!numbers) {
      attempt_.refuse(first_line, numbers.error());
      return {};
    }
    form.power_form = *numbers;
    form.other_form = *numbers;
    form.other_form.says_unit = false;
    const ColumnMeaning meaning = meaning_of_column(columns_.names[form.power.at[0]]);
    if (form.header_line > 0 && meaning.scale && meaning.quantity == Quantity::power)
      form.power_form.factor = *meaning.scale;
    if (said_.scale) {
      form.power_form.factor = *said_.scale;
    } else if (form.header_line > 0 && !meaning.odd_unit.empty()) {
      attempt_.refuse(form.header_line, "the power's column is in " + text::quoted(meaning.odd_unit) +
                                            ", which may be a slip; say its unit: --unit mW, --unit W or --unit kW");
    }
    return {};
  }

  Attempt& attempt_;
  const SaidForm& said_;
  std::optional<TimeForm> said_time_;
  Columns columns_;
  Records& records_;
  Fields& fields_;
  bool named_utc_ = false;  ///< the time's column says so
};

}  // namespace

Result<void> look_at_rows(Attempt& attempt, const SaidForm& said, Columns columns, Records& records, Fields& fields) {
  return RowLook(attempt, said, std::move(columns), records, fields).look_at_rows();
}

}  // namespace nightwatt::csv
