#include "csv/csv_reader.hpp"

#include <algorithm>
#include <charconv>
#include <cstring>

#include "measure/time_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::csv {
namespace {

constexpr std::size_t first_buffer_bytes = std::size_t{16} << 10;   // small files stay small
constexpr std::size_t largest_buffer_bytes = std::size_t{1} << 20;  // large against a line, small against a cache
static_assert(first_buffer_bytes > 2 * line_limit);

constexpr std::string_view columns_help =
    "the first line names the columns: time,power_w and then any of voltage_v, current_a, power_factor, frequency_hz, "
    "energy_wh";

std::string_view trimmed(std::string_view cell) {
  while (!cell.empty() && (cell.front() == ' ' || cell.front() == '\t')) cell.remove_prefix(1);
  while (!cell.empty() && (cell.back() == ' ' || cell.back() == '\t')) cell.remove_suffix(1);
  return cell;
}

/// Takes the text before the next comma off `rest`; `more` is false once that was the last cell.
std::string_view take_cell(std::string_view& rest, bool& more) {
  const void* comma = rest.empty() ? nullptr : std::memchr(rest.data(), ',', rest.size());
  if (comma == nullptr) {
    more = false;
    return trimmed(std::exchange(rest, {}));
  }
  const auto length = static_cast<std::size_t>(static_cast<const char*>(comma) - rest.data());
  const std::string_view cell = rest.substr(0, length);
  rest.remove_prefix(length + 1);
  return trimmed(cell);
}

/// Unix seconds: digits with at most one point. Decimals below a microsecond are rounded. nullopt: of another form, or
/// far out of range.
std::optional<UtcTime> unix_seconds(std::string_view cell) {
  constexpr std::size_t most_digits = 11;  // 99999999999 s is past time_limit and far from overflow
  std::size_t i = 0;
  std::int64_t seconds = 0;
  for (; i < cell.size() && cell[i] >= '0' && cell[i] <= '9'; ++i) {
    if (i == most_digits) return std::nullopt;
    seconds = seconds * 10 + (cell[i] - '0');
  }
  if (i == 0) return std::nullopt;
  std::int64_t microseconds = 0;
  if (i < cell.size()) {
    if (cell[i] != '.') return std::nullopt;
    std::int64_t place = 100'000;
    bool round_up = false;
    const std::size_t point = i++;
    for (; i < cell.size() && cell[i] >= '0' && cell[i] <= '9'; ++i, place /= 10) {
      if (i == point + 7) round_up = cell[i] >= '5';
      microseconds += place * (cell[i] - '0');
    }
    if (i != cell.size()) return std::nullopt;
    microseconds += round_up ? 1 : 0;
  }
  return UtcTime{seconds * 1'000'000 + microseconds};
}

/// Whether `cell`, a number, has a digit other than 0 below the last decimal a reading takes.
bool has_finer_digits(std::string_view cell) {
  const std::size_t letter = std::min(cell.find_first_of("eE"), cell.size());
  int power = 0;
  if (letter < cell.size()) {
    std::string_view exponent = cell.substr(letter + 1);
    if (exponent.starts_with('+')) exponent.remove_prefix(1);
    std::from_chars(exponent.data(), exponent.data() + exponent.size(), power);
  }
  const std::string_view digits = cell.substr(0, letter);
  const std::size_t point = std::min(digits.find('.'), digits.size());
  for (std::size_t i = 0; i < digits.size(); ++i) {
    if (digits[i] < '1' || digits[i] > '9') continue;
    const int behind = static_cast<int>(i) - static_cast<int>(point);  // 1: the first decimal
    if (power - behind < (behind > 0 ? Decimal::lowest_exponent : Decimal::lowest_exponent + 1)) return true;
  }
  return false;
}

/// A time without an offset of its own: a date, then nothing that names one.
bool is_local_time(std::string_view cell) {
  constexpr std::size_t date_length = 10;
  return cell.size() >= date_length && cell[4] == '-' &&
         cell.substr(date_length).find_first_of("Zz+-") == std::string_view::npos;
}

/// Whether the clock shows the same an hour later: it was put back there.
bool comes_twice(UtcTime time) {
  constexpr Duration hour{3'600'000'000};
  constexpr std::size_t clock_length = 19;  // up to the seconds; the offset follows
  return local_text(time).substr(0, clock_length) == local_text(time + hour).substr(0, clock_length);
}

std::string what_in_line(std::string_view line) {
  if (line.find('\0') != std::string_view::npos) return "there is a NUL byte in it, so this is no text; ";
  if (line.find('\r') != std::string_view::npos)
    return "there is a carriage return within it; end lines with a line feed; ";
  return {};
}

}  // namespace

CsvReader::CsvReader(std::string name, Source source, Settings settings)
    : name_(text::printable(name)), source_(std::move(source)), settings_(settings), buffer_(first_buffer_bytes) {}

tl::unexpected<Error> CsvReader::refuse(const std::string& what) const {
  return fail(ErrorKind::input, name_ + ":" + std::to_string(line_number_) + ": " + what);
}

tl::unexpected<Error> CsvReader::refuse_cell(std::string_view column, std::string_view cell) const {
  const std::string is = std::string(column) + " is " + text::quoted(cell);
  if (const std::string special = what_in_line(cell); !special.empty())
    return refuse(is + ": " + special + "correct the line");
  if (column == "time")
    return refuse(is +
                  ", not a time from 1970 to 2199; write Unix seconds such as 1767646800.25, or ISO 8601 such as "
                  "2026-01-05T21:00:00Z");
  return refuse(is +
                ", not a number below 9e9; write one such as 25.02, or leave the cell empty where the meter gave none");
}

tl::unexpected<Error> CsvReader::refuse_order(UtcTime time, std::string_view row) const {
  std::string_view cell;
  bool more = true;
  for (std::size_t i = 0; i < columns_.size() && more; ++i)
    if (const std::string_view next = take_cell(row, more); !columns_[i]) cell = next;
  if (is_local_time(cell) && comes_twice(time))
    return refuse("the time goes back to " + text::quoted(cell) +
                  ": the clocks are put back there, and local time shows that hour twice; write the times with their "
                  "offset, such as 2026-01-05T21:00:00+01:00, or as Unix seconds");
  return refuse("the time goes back, from " + unix_text(*last_time_) + " to " + unix_text(time) +
                "; sort the file by time, or import its parts one by one");
}

tl::unexpected<Error> CsvReader::refuse_length(std::string_view line) const {
  return refuse("the line is longer than " + std::to_string(line_limit) + " bytes: " + what_in_line(line) +
                "this is not a CSV of readings");
}

Result<void> CsvReader::refill() {
  std::memmove(buffer_.data(), buffer_.data() + begin_, end_ - begin_);
  end_ -= begin_;
  begin_ = 0;
  if (filled_ && buffer_.size() < largest_buffer_bytes) buffer_.resize(buffer_.size() * 2);
  const auto got = source_(std::span(buffer_).subspan(end_));
  if (!got) return tl::unexpected(got.error());
  at_end_ = *got == 0;
  filled_ = end_ + *got == buffer_.size();
  end_ += *got;
  bytes_ += *got;
  return {};
}

Result<std::optional<std::string_view>> CsvReader::next_line() {
  for (;;) {
    const std::size_t have = end_ - begin_;
    const char* from = buffer_.data() + begin_;
    const void* found = have == 0 ? nullptr : std::memchr(from, '\n', std::min(have, line_limit + 2));
    if (found != nullptr || (at_end_ && have > 0 && have <= line_limit + 1)) {
      const std::size_t length =
          found != nullptr ? static_cast<std::size_t>(static_cast<const char*>(found) - from) : have;
      begin_ += length + (found != nullptr ? 1 : 0);
      ++line_number_;
      std::string_view line(from, length);
      if (!line.empty() && line.back() == '\r') line.remove_suffix(1);
      if (line.size() > line_limit) return refuse_length(line);
      return line;
    }
    if (have > line_limit + 1) {  // one more than the limit may still be the carriage return of a line end
      ++line_number_;
      return refuse_length(std::string_view(from, have));
    }
    if (at_end_) return std::nullopt;
    if (auto filled = refill(); !filled) return tl::unexpected(filled.error());
  }
}

Result<void> CsvReader::read_header() {
  for (;;) {
    const auto line = next_line();
    if (!line) return tl::unexpected(line.error());
    if (!*line) {
      line_number_ = std::max<std::uint64_t>(line_number_, 1);
      return refuse((bytes_ == 0 ? "the file is empty; " : "there is no header; ") + std::string(columns_help));
    }
    std::string_view header = **line;
    if (line_number_ == 1 && header.substr(0, 3) == "\xEF\xBB\xBF") header.remove_prefix(3);
    header = trimmed(header);
    if (header.empty() || header.front() == '#') {
      if (header.find_first_of(std::string_view("\0\r", 2)) != std::string_view::npos)
        return refuse(what_in_line(header) + "correct the line");
      continue;
    }
    return take_header(header);
  }
}

Result<void> CsvReader::take_header(std::string_view line) {
  if (const std::string special = what_in_line(line); !special.empty())
    return refuse(special + std::string(columns_help));
  bool time_seen = false;
  std::array<bool, quantity_count> seen{};
  for (bool more = true; more;) {
    const std::string_view cell = take_cell(line, more);
    const std::optional<Quantity> quantity = quantity_from_column(cell);
    if (cell != "time" && !quantity)
      return refuse("no column is called " + text::quoted(cell) + "; " + std::string(columns_help));
    bool& here = quantity ? seen[static_cast<std::size_t>(*quantity)] : time_seen;
    if (here) return refuse("the column " + text::quoted(cell) + " is named twice; leave one out");
    here = true;
    columns_.push_back(quantity);
  }
  if (!time_seen || !seen[static_cast<std::size_t>(Quantity::power)])
    return refuse(std::string("the column ") + (time_seen ? "power_w" : "time") + " is missing; " +
                  std::string(columns_help));
  return {};
}

Result<UtcTime> CsvReader::take_time(std::string_view cell) const {
  std::optional<UtcTime> time = unix_seconds(cell);
  if (!time && cell.find_first_of("-:") != std::string_view::npos && cell.find('\0') == std::string_view::npos) {
    const auto other = parse_time(cell);
    if (other) time = *other;
  }
  if (!time || time->us < 0 || *time >= time_limit) return refuse_cell("time", cell);
  return *time;
}

/// False: nothing to keep.
Result<bool> CsvReader::take_row(std::string_view line, Reading& reading) {
  reading.values = {};
  std::string_view rest = line;
  bool more = true;
  for (const std::optional<Quantity> column : columns_) {
    if (!more)
      return refuse("the line ends before the column " + std::string(column ? quantity_column(*column) : "time") +
                    "; every line has " + std::to_string(columns_.size()) + " columns");
    const std::string_view cell = take_cell(rest, more);
    if (!column) {
      const auto time = take_time(cell);
      if (!time) return tl::unexpected(time.error());
      reading.time = *time;
      continue;
    }
    if (cell.empty()) continue;
    const std::optional<Decimal> value = Decimal::parse(cell);
    if (!value) return refuse_cell(quantity_column(*column), cell);
    if (*column == Quantity::power && settings_.missing_below_w && value->value() < *settings_.missing_below_w)
      continue;
    if (value->exponent == Decimal::lowest_exponent && has_finer_digits(cell) && rounded_++ == 0)
      first_rounded_ = line_number_;
    reading.values.set(*column, *value);
  }
  if (more)
    return refuse("the line has more than " + std::to_string(columns_.size()) + " columns; the header names no more");
  if (last_time_ && reading.time < *last_time_) return refuse_order(reading.time, line);
  if (last_time_ && reading.time == *last_time_) {
    ++duplicates_;
    return false;
  }
  last_time_ = reading.time;
  if (reading.values.empty()) {
    ++missing_;
    return false;
  }
  return true;
}

Result<void> CsvReader::next(std::vector<Reading>& batch, std::size_t most) {
  batch.resize(most);
  std::size_t count = 0;
  while (count < most) {
    const auto line = next_line();
    if (!line) return tl::unexpected(line.error());
    if (!*line) break;
    const std::string_view row = **line;
    if (row.empty()) continue;
    if (row.front() == '#') {
      if (const std::string special = what_in_line(row); !special.empty()) return refuse(special + "correct the line");
      continue;
    }
    if (trimmed(row).empty()) continue;
    const auto kept = take_row(row, batch[count]);
    if (!kept) return tl::unexpected(kept.error());
    if (*kept) ++count;
  }
  batch.resize(count);
  return {};
}

}  // namespace nightwatt::csv
