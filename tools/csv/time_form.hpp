// How a file writes its times, and one such time read.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "measure/signal/result.hpp"

namespace nightwatt::csv {

enum class TimeKind : std::uint8_t {
  number,  ///< since 1970, or since the record began
  serial_1900,
  serial_1904,
  civil,    ///< a date, and a time of day
  elapsed,  ///< hours, minutes and seconds since the record began
};
enum class DateOrder : std::uint8_t { year_first, day_first, month_first };

struct TimeForm {
  TimeKind kind = TimeKind::civil;
  DateOrder order = DateOrder::year_first;  ///< of civil
  double us_per_unit = 1e6;                 ///< of number
  friend bool operator==(const TimeForm&, const TimeForm&) = default;
};

struct CellTime {
  std::int64_t us = 0;
  bool is_shown = false;  ///< what a clock showed, in microseconds since 1970 as if it were UTC; else an instant
};

/// nullopt: not of this form. Decimals below a microsecond are rounded. A file of Unix seconds may write single times
/// as ISO 8601, and the other way round: neither can be taken for the other.
[[nodiscard]] std::optional<CellTime> read_time(std::string_view cell, const TimeForm& form);

/// A date and a time of day; the year may have two digits (POSIX: 69 to 99 are of the 20th century).
[[nodiscard]] std::optional<CellTime> read_civil(std::string_view cell, DateOrder order);
/// `21:00`, `9:00:00 PM`, without a date.
[[nodiscard]] bool is_time_of_day(std::string_view cell);
/// A date without a time of day, in any order.
[[nodiscard]] bool is_date_alone(std::string_view cell);
/// A number as times are counted: digits, and a point or a comma.
[[nodiscard]] std::optional<double> time_number(std::string_view cell);

/// `unix`, `unix-ms`, `serial`, `dmy`, `DD.MM.YYYY hh:mm`, `%d/%m/%Y %H:%M`. Error kind input.
[[nodiscard]] Result<TimeForm> time_form_from(std::string_view word);
/// For people: `day first`, `Unix seconds`.
[[nodiscard]] std::string time_form_text(const TimeForm& form);

}  // namespace nightwatt::csv
