// The header of a file: which line it is, and which of its columns are the time and the power.
#include <algorithm>
#include <array>
#include <cstdlib>

#include "attempt.hpp"
#include "csv/column_name.hpp"
#include "evidence.hpp"
#include "text/printable.hpp"

namespace nightwatt::csv {
namespace {

/// Lines that programs write above the header: some dozens.
constexpr std::size_t header_search_limit = 200;

/// A column that was asked for: by its name, in letters of any size where that is one column's alone, or its number.
std::optional<std::size_t> column_of(const std::string& word, const Names& names) {
  std::vector<std::size_t> same;
  for (std::size_t i = 0; i < names.size(); ++i)
    if (names[i] == word) same.push_back(i);
  if (same.empty())
    for (std::size_t i = 0; i < names.size(); ++i)
      if (lower(names[i]) == lower(std::string(trimmed(word)))) same.push_back(i);
  if (same.size() == 1) return same.front();
  const bool digits = !word.empty() && word.size() < 5 && word.find_first_not_of("0123456789") == std::string::npos;
  if (!digits || !same.empty()) return std::nullopt;
  const int number = std::atoi(word.c_str());
  if (number < 1 || static_cast<std::size_t>(number) > names.size()) return std::nullopt;
  return static_cast<std::size_t>(number) - 1;
}

std::vector<std::size_t> columns_of(const std::string& word, const Names& names) {
  if (const auto one = column_of(word, names)) return {*one};
  const std::size_t plus = word.find('+');
  if (plus == std::string::npos) return {};
  const auto date = column_of(word.substr(0, plus), names);
  const auto time = column_of(word.substr(plus + 1), names);
  if (!date || !time) return {};
  return {*date, *time};
}

bool is_number(const std::string& word) {
  return !word.empty() && word.find_first_not_of("0123456789+") == std::string::npos;
}

class HeaderFinder {
 public:
  HeaderFinder(Attempt& attempt, const SaidForm& said, Records& records, Fields& fields)
      : attempt_(attempt), said_(said), records_(records), fields_(fields) {}

  Result<void> find_header() {
    std::uint64_t first_line = 0;
    for (std::size_t i = 0; i < header_search_limit; ++i) {
      const std::uint64_t offset = records_.offset();
      const std::uint64_t line = records_.line();
      const auto record = records_.next();
      if (!record) return tl::unexpected(record.error());
      if (!*record) break;
      if (is_no_row(**record)) {
        note_comment(**record);
        continue;
      }
      const auto& fields = fields_.of(**record);
      if (first_line == 0 && comment_is_header(fields)) {
        records_.go_to(offset, line);
        return take_columns(comment_names_, comment_line_);
      }
      if (first_line == 0 && fields.size() == 1 && lower(fields[0]).substr(0, 4) == "sep=") continue;
      const Names names(fields.begin(), fields.end());
      if (first_line == 0) {
        first_line = (*record)->line;
        first_names_ = names;
      }
      gather(names);
      if (columns_.times.empty() || powers_.empty() || (columns_.times.size() == 1 && columns_.times == powers_))
        continue;
      const bool by_number = said_.options.time && said_.options.power && is_number(*said_.options.time) &&
                             is_number(*said_.options.power);
      if (by_number && looks_like_number(fields[powers_.front()]) && looks_like_time(fields[columns_.times.front()])) {
        records_.go_to(offset, line);
        return take_columns(names, 0);
      }
      return take_columns(names, (*record)->line);
    }
    if (records_.fault()) {
      attempt_.refuse(records_.line(), *records_.fault() == RecordFault::too_long
                                           ? "the line is longer than " + std::to_string(line_limit) +
                                                 " bytes: this is not a CSV of readings"
                                           : std::string("a quotation mark is opened here and never closed; close it"));
      return {};
    }
    refuse_header(first_line);
    return {};
  }

  [[nodiscard]] Columns columns() && { return std::move(columns_); }

 private:
  /// All columns whose names say time or date, and all that say power. The contract's own names go before any other.
  void gather(const Names& names) {
    columns_.times.clear();
    powers_.clear();
    for (std::size_t i = 0; i < names.size(); ++i) {
      const ColumnMeaning meaning = meaning_of_column(names[i]);
      if (meaning.role == ColumnRole::time || meaning.role == ColumnRole::date) columns_.times.push_back(i);
      if (meaning.role == ColumnRole::quantity && meaning.quantity == Quantity::power) powers_.push_back(i);
    }
    const auto named = std::find(names.begin(), names.end(), quantity_column(Quantity::power));
    if (named != names.end()) powers_ = {static_cast<std::size_t>(named - names.begin())};
    if (said_.options.time) columns_.times = columns_of(*said_.options.time, names);
    if (said_.options.power) {
      const auto power = column_of(*said_.options.power, names);
      powers_.clear();
      if (power) powers_.push_back(*power);
    }
  }

  /// The last comment above the rows may be what names their columns: `# time;power`.
  void note_comment(const Record& record) {
    if (record.text.empty() || record.text.front() != '#') return;
    Record names = record;
    names.text.remove_prefix(1);
    names.quoted = names.text.find('"') != std::string_view::npos;
    const auto& fields = fields_.of(names);
    comment_names_.assign(fields.begin(), fields.end());
    comment_line_ = record.line;
  }

  /// Whether the first row is one of numbers, under a comment with as many names.
  bool comment_is_header(const std::vector<std::string_view>& fields) {
    if (comment_names_.size() != fields.size() || fields.size() < 2) return false;
    gather(comment_names_);
    if (columns_.times.empty() || powers_.empty()) return false;
    return looks_like_time(fields[columns_.times.front()]) && looks_like_number(fields[powers_.front()]);
  }

  void refuse_header(std::uint64_t line) {
    if (first_names_.empty())
      return attempt_.refuse(records_.line(), "there is no header; the first line names the columns: time,power_w");
    attempt_.columns = first_names_.size();
    gather(first_names_);
    const std::string columns = "; its columns are " + shown_names(first_names_);
    if (said_.options.time && columns_of(*said_.options.time, first_names_).empty())
      return attempt_.refuse(line, "no column, or more than one, is " + text::quoted(*said_.options.time) + columns +
                                       "; name one with --time NAME or --time NUMBER");
    if (said_.options.power && !column_of(*said_.options.power, first_names_))
      return attempt_.refuse(line, "no column, or more than one, is " + text::quoted(*said_.options.power) + columns +
                                       "; name one with --power NAME or --power NUMBER");
    if (first_names_.size() == 1 && first_names_[0].find_first_of(" |:") != std::string::npos)
      return attempt_.refuse(line, "the columns are divided by none of , ; and tab; say by what: --delimiter C");
    const bool data = std::all_of(first_names_.begin(), first_names_.end(), [](const std::string& name) {
      return looks_like_number(name) || looks_like_time(name) || says_nothing(name);
    });
    if (data && first_names_.size() > 1)
      return attempt_.refuse(line, "there is no header; say which columns these are: --time 1 --power 2");
    if (powers_.empty())
      return attempt_.refuse(line,
                             "no column is called power" + columns + "; name it with --power NAME or --power NUMBER");
    attempt_.refuse(line, "no column is called time" + columns + "; name it with --time NAME or --time NUMBER");
  }

  /// The header's columns, of which `columns_.times` and `powers_` are candidates.
  Result<void> take_columns(const Names& names, std::uint64_t line) {
    Form& form = attempt_.form;
    attempt_.stage = Stage::columns;
    form.header_line = line;
    form.data_offset = records_.offset();
    form.data_line = records_.line();
    columns_.names = names;
    form.columns = names.size();
    while (line > 0 && form.columns > 1 && names[form.columns - 1].empty()) --form.columns;
    if (powers_.size() > 1) {
      Names several;
      for (const std::size_t column : powers_) several.push_back(names[column]);
      attempt_.refuse(line, "more than one column may be the power: " + shown_names(several) +
                                "; name one with --power NAME or --power NUMBER");
      return {};
    }
    form.power = {{powers_.front()}, shown_column(form, names, powers_.front())};
    if (line == 0) return {};
    std::array<bool, quantity_count> seen{};
    for (std::size_t i = 0; i < names.size(); ++i) {
      const auto quantity = quantity_from_column(lower(names[i]));
      if (!quantity || i == powers_.front() || *quantity == Quantity::power) continue;
      if (seen[static_cast<std::size_t>(*quantity)]) {
        attempt_.refuse(line, "the column " + text::quoted(names[i]) + " is named twice; leave one out");
        return {};
      }
      seen[static_cast<std::size_t>(*quantity)] = true;
      form.others.emplace_back(i, *quantity);
    }
    return {};
  }

  Attempt& attempt_;
  const SaidForm& said_;
  Records& records_;
  Fields& fields_;
  Columns columns_;
  Names first_names_, comment_names_;
  std::uint64_t comment_line_ = 0;
  std::vector<std::size_t> powers_;
};

}  // namespace

Result<Columns> find_header(Attempt& attempt, const SaidForm& said, Records& records, Fields& fields) {
  HeaderFinder finder(attempt, said, records, fields);
  if (auto found = finder.find_header(); !found) return tl::unexpected(found.error());
  return std::move(finder).columns();
}

}  // namespace nightwatt::csv
