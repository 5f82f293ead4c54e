#include "csv/csv_reader.hpp"

#include <algorithm>

#include "form.hpp"
#include "measure/signal/time_text.hpp"
#include "order.hpp"
#include "records.hpp"
#include "text/printable.hpp"

namespace nightwatt::csv {
namespace {

/// A file that runs backwards is read in pieces of so many bytes, the last one first; its readings stay in memory.
constexpr std::uint64_t piece_bytes = std::uint64_t{64} << 10;

std::string what_in(std::string_view text) {
  if (text.find('\0') != std::string_view::npos) return "there is a NUL byte in it, so this is no text; ";
  if (text.find('\r') != std::string_view::npos)
    return "there is a carriage return within it; end lines with a line feed; ";
  return {};
}

}  // namespace

class CsvReader::Impl {
 public:
  Impl(std::string name, ReadAt source, FileOptions options)
      : name_(text::printable(name)), source_(std::move(source)), options_(std::move(options)) {}

  Result<void> find_form() {
    auto form = csv::find_form(name_, source_, options_);
    if (!form) return tl::unexpected(form.error());
    form_ = std::move(*form);
    records_.emplace(source_, form_.delimiter);
    fields_.emplace(form_.delimiter);
    order_.emplace(name_, form_, options_.spread || form_.coarse);
    if (auto begun = records_->look(); !begun) return begun;
    records_->go_to(form_.data_offset, form_.data_line);
    return form_.backwards ? divide_in_pieces() : Result<void>{};
  }

  Result<void> next(std::vector<Reading>& batch, std::size_t most) {
    while (order_->ready() < most && !done_)
      if (auto more = form_.backwards ? last_piece() : one_row(); !more) return more;
    order_->take(batch, most);
    return {};
  }

  [[nodiscard]] const Form& form() const { return form_; }
  [[nodiscard]] const std::optional<Order>& order() const { return order_; }
  [[nodiscard]] std::uint64_t missing() const { return missing_; }
  [[nodiscard]] std::uint64_t rounded() const { return rounded_; }
  [[nodiscard]] std::uint64_t first_rounded() const { return first_rounded_; }
  [[nodiscard]] std::uint64_t lines() const { return records_ ? records_->line() : 1; }
  [[nodiscard]] std::uint64_t bytes() const { return records_ ? bytes_ : 0; }

 private:
  struct Piece {
    std::uint64_t offset = 0, line = 0;
  };

  [[nodiscard]] tl::unexpected<Error> refuse(std::uint64_t line, const std::string& what) const {
    return fail(ErrorKind::input, name_ + ":" + std::to_string(line) + ": " + what);
  }

  [[nodiscard]] tl::unexpected<Error> refuse_fault() const {
    if (*records_->fault() == RecordFault::open_quote)
      return refuse(records_->line(), "a quotation mark is opened here and never closed; close it");
    return refuse(records_->line(),
                  "the line is longer than " + std::to_string(line_limit) + " bytes: this is not a CSV of readings");
  }

  [[nodiscard]] tl::unexpected<Error> refuse_time(std::uint64_t line, std::string_view cell) const {
    const std::string is = "time is " + text::quoted(cell);
    if (const std::string special = what_in(cell); !special.empty())
      return refuse(line, is + ": " + special + "correct the line");
    return refuse(line, is + ", not a time from 1970 to 2199 in the file's form (" + time_form_text(form_.time_form) +
                            "); correct the line, or name the form with --date-format or the column with --time");
  }

  [[nodiscard]] tl::unexpected<Error> refuse_number(std::uint64_t line, Quantity quantity,
                                                    std::string_view cell) const {
    const std::string is = std::string(quantity_column(quantity)) + " is " + text::quoted(cell);
    if (const std::string special = what_in(cell); !special.empty())
      return refuse(line, is + ": " + special + "correct the line");
    const NumberLook look = look_of(cell);
    if (look != NumberLook::none && look != NumberLook::plain)
      return refuse(line, is + ", and the file's decimal sign is '" + form_.power_form.decimal +
                              "'; if that is wrong, say --decimal " + (form_.power_form.decimal == ',' ? "." : ","));
    return refuse(line, is + ", not a number below 9e9; write one such as 25.02, or leave the cell empty where the "
                             "meter gave none");
  }

  Result<std::optional<Record>> next_record() {
    for (;;) {
      const auto record = records_->next();
      if (!record) return tl::unexpected(record.error());
      if (!*record) {
        if (records_->fault()) return refuse_fault();
        return std::nullopt;
      }
      if (!is_no_row(**record)) return **record;
      if (const std::string special = what_in((*record)->text); !special.empty())
        return refuse((*record)->line, special + "correct the line");
    }
  }

  Result<void> one_row() {
    const auto record = next_record();
    if (!record) return tl::unexpected(record.error());
    if (!*record) {
      done_ = true;
      return order_->finish(records_->line());
    }
    bytes_ = records_->offset();
    auto row = row_of(**record);
    if (!row) return tl::unexpected(row.error());
    return order_->put(*row);
  }

  /// Where each piece begins. Quotes may hold line ends, so this takes a pass over the whole file.
  Result<void> divide_in_pieces() {
    pieces_.push_back({form_.data_offset, form_.data_line});
    for (;;) {
      const auto record = next_record();
      if (!record) return tl::unexpected(record.error());
      if (!*record) break;
      if ((*record)->offset >= pieces_.back().offset + piece_bytes)
        pieces_.push_back({(*record)->offset, (*record)->line - 1});
    }
    piece_end_ = records_->offset();
    return {};
  }

  Result<void> last_piece() {
    if (pieces_.empty()) {
      done_ = true;
      return order_->finish(form_.data_line + 1);
    }
    const Piece piece = pieces_.back();
    pieces_.pop_back();
    records_->go_to(piece.offset, piece.line);
    std::vector<Row> rows;
    while (records_->offset() < piece_end_) {
      const auto record = next_record();
      if (!record) return tl::unexpected(record.error());
      if (!*record || (*record)->offset >= piece_end_) break;
      const auto row = row_of(**record);
      if (!row) return tl::unexpected(row.error());
      rows.push_back(*row);
    }
    bytes_ += piece_end_ - piece.offset;
    piece_end_ = piece.offset;
    for (auto row = rows.rbegin(); row != rows.rend(); ++row)
      if (auto put = order_->put(*row); !put) return put;
    return {};
  }

  Result<Row> row_of(const Record& record) {
    const auto& fields = fields_->of(record);
    if (auto whole = check_length(record, fields); !whole) return tl::unexpected(whole.error());
    Row row;
    row.line = record.line;
    const std::string_view time = time_text(form_, fields, scratch_);
    const auto read = read_time(time, form_.time_form);
    // A clock's showing lies within a day of the instant.
    if (!read || read->us < (read->is_shown ? -86'400'000'000 : 0) || read->us >= time_limit.us)
      return refuse_time(record.line, time);
    row.time = *read;
    if (auto taken = take_value(record, fields[form_.power.at[0]], Quantity::power, form_.power_form, row); !taken)
      return tl::unexpected(taken.error());
    for (const auto& [column, quantity] : form_.others)
      if (auto taken = take_value(record, fields[column], quantity, form_.other_form, row); !taken)
        return tl::unexpected(taken.error());
    if (row.values.empty()) ++missing_;
    return row;
  }

  [[nodiscard]] Result<void> check_length(const Record& record, const std::vector<std::string_view>& fields) const {
    if (fields.size() == form_.columns) return {};
    if (fields.size() < form_.columns)
      return refuse(record.line, "the line has " + std::to_string(fields.size()) + " of " +
                                     std::to_string(form_.columns) + " columns; correct or remove it");
    for (std::size_t i = form_.columns; i < fields.size(); ++i)
      if (!fields[i].empty())
        return refuse(record.line,
                      "the line has more than the " + std::to_string(form_.columns) +
                          " columns that the header names; if numbers are written like 25,02, save the file "
                          "with ; between the columns, or quote them (\"25,02\"); else correct the line");
    return {};
  }

  Result<void> take_value(const Record& record, std::string_view cell, Quantity quantity, const NumberForm& form,
                          Row& row) {
    if (says_nothing(cell)) return {};
    const auto value = read_number(cell, form);
    if (!value) return refuse_number(record.line, quantity, cell);
    if (quantity == Quantity::power && options_.missing_below_w && value->value() < *options_.missing_below_w)
      return {};
    if (value->exponent == Decimal::lowest_exponent && has_finer_digits(cell, form) && rounded_++ == 0)
      first_rounded_ = record.line;
    row.values.set(quantity, *value);
    return {};
  }

  std::string name_;
  ReadAt source_;
  FileOptions options_;
  Form form_;
  std::optional<Records> records_;
  std::optional<Fields> fields_;
  std::optional<Order> order_;
  std::vector<Piece> pieces_;
  std::uint64_t piece_end_ = 0;
  std::uint64_t bytes_ = 0;
  std::string scratch_;
  bool done_ = false;
  std::uint64_t missing_ = 0, rounded_ = 0, first_rounded_ = 0;
};

CsvReader::CsvReader(std::string name, ReadAt source, FileOptions options)
    : impl_(std::make_unique<Impl>(std::move(name), std::move(source), std::move(options))) {}
CsvReader::~CsvReader() = default;
CsvReader::CsvReader(CsvReader&& other) noexcept = default;
CsvReader& CsvReader::operator=(CsvReader&& other) noexcept = default;

Result<void> CsvReader::find_form() {
  return impl_->find_form();
}
std::string CsvReader::read_as() const {
  return form_text(impl_->form());
}
Result<void> CsvReader::next(std::vector<Reading>& batch, std::size_t most) {
  return impl_->next(batch, most);
}
bool CsvReader::found_coarse_stamps() const {
  return impl_->order() && impl_->order()->found_coarse_stamps();
}
std::uint64_t CsvReader::duplicates() const {
  return impl_->order() ? impl_->order()->duplicates() : 0;
}
std::uint64_t CsvReader::spread() const {
  return impl_->order() ? impl_->order()->spread() : 0;
}
std::uint64_t CsvReader::missing() const {
  return impl_->missing();
}
std::uint64_t CsvReader::rounded() const {
  return impl_->rounded();
}
std::uint64_t CsvReader::first_rounded() const {
  return impl_->first_rounded();
}
std::uint64_t CsvReader::lines() const {
  return impl_->lines();
}
std::uint64_t CsvReader::bytes() const {
  return impl_->bytes();
}

}  // namespace nightwatt::csv
