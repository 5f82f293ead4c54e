#include "form.hpp"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <span>

#include "csv/column_name.hpp"
#include "evidence.hpp"
#include "records.hpp"
#include "text/printable.hpp"

namespace nightwatt::csv {
namespace {

/// Lines that programs write above the header: some dozens.
constexpr std::size_t header_search_limit = 200;
/// Rows that are looked at even where the first ones decide: half an hour at a reading a second.
constexpr std::size_t least_rows = 2'000;
/// Columns named in a refusal; the rest is left to the reader's own eyes.
constexpr std::size_t columns_shown = 12;

using Names = std::vector<std::string>;

std::string lower(std::string_view text) {
  std::string letters(text);
  for (char& c : letters)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return letters;
}

std::string shown_names(const Names& names) {
  std::string shown;
  for (std::size_t i = 0; i < names.size() && i < columns_shown; ++i)
    shown += (i == 0 ? "" : ", ") + text::quoted(names[i].substr(0, 60));
  return shown + (names.size() > columns_shown ? ", ..." : "");
}

/// How far an attempt to read the file came; what went farthest is right, or tells best what is wrong.
enum class Stage : std::uint8_t { nothing, columns, whole_row, time_read, power_read };

struct Attempt {
  Stage stage = Stage::nothing;
  std::size_t columns = 0;  ///< of the first row, where no header was found
  Form form;
  std::optional<Error> error;  ///< at this stage the file was refused
};

class Finder {
 public:
  Finder(const std::string& name, const ReadAt& source, const FileOptions& options, char delimiter)
      : name_(name), options_(options), records_(source, delimiter), fields_(delimiter) {
    attempt_.form.delimiter = delimiter;
  }

  /// An error: the disk's, or of the options; whatever the delimiter.
  Result<Attempt> attempt() {
    if (auto prepared = take_options(); !prepared) return tl::unexpected(prepared.error());
    if (auto found = find_header(); !found) return tl::unexpected(found.error());
    if (attempt_.error || attempt_.stage == Stage::nothing) return std::move(attempt_);
    if (auto looked = look_at_rows(); !looked) return tl::unexpected(looked.error());
    return std::move(attempt_);
  }

 private:
  void refuse(std::uint64_t line, const std::string& what) {
    if (!attempt_.error)
      attempt_.error =
          Error{ErrorKind::input, name_ + ":" + std::to_string(std::max<std::uint64_t>(line, 1)) + ": " + what};
  }

  Result<void> take_options() {
    if (options_.date_format) {
      const auto form = time_form_from(*options_.date_format);
      if (!form) return tl::unexpected(form.error());
      said_form_ = *form;
    }
    if (options_.decimal) {
      if (*options_.decimal != "." && *options_.decimal != ",")
        return fail(ErrorKind::input, "--decimal: " + text::quoted(*options_.decimal) + " is none; write . or ,");
      said_decimal_ = options_.decimal->front();
    }
    if (options_.unit) {
      said_scale_ = watts_per(*options_.unit);
      if (!said_scale_)
        return fail(ErrorKind::input, "--unit: " + text::quoted(*options_.unit) + " is none; write mW, W or kW");
    }
    if (options_.zone) {
      auto zone = Zone::named(*options_.zone);
      if (!zone) return tl::unexpected(zone.error());
      attempt_.form.zone = std::move(*zone);
      attempt_.form.zone_text = text::printable(*options_.zone);
    }
    return {};
  }

  // ---- the header

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

  static bool is_number(const std::string& word) {
    return !word.empty() && word.find_first_not_of("0123456789+") == std::string::npos;
  }
  static bool looks_like_time(std::string_view cell) {
    if (time_number(cell) || is_time_of_day(cell) || is_date_alone(cell)) return true;
    return read_civil(cell, DateOrder::year_first) || read_civil(cell, DateOrder::day_first) ||
           read_civil(cell, DateOrder::month_first);
  }
  static bool looks_like_number(std::string_view cell) {
    NumberEvidence evidence;
    evidence.add(cell);
    return !says_nothing(cell) && evidence.of(NumberLook::none) == 0;
  }

  /// All columns whose names say time or date, and all that say power. The contract's own names go before any other.
  void gather(const Names& names) {
    times_.clear();
    powers_.clear();
    for (std::size_t i = 0; i < names.size(); ++i) {
      const ColumnMeaning meaning = meaning_of_column(names[i]);
      if (meaning.role == ColumnRole::time || meaning.role == ColumnRole::date) times_.push_back(i);
      if (meaning.role == ColumnRole::quantity && meaning.quantity == Quantity::power) powers_.push_back(i);
    }
    const auto named = std::find(names.begin(), names.end(), quantity_column(Quantity::power));
    if (named != names.end()) powers_ = {static_cast<std::size_t>(named - names.begin())};
    if (options_.time) times_ = columns_of(*options_.time, names);
    if (options_.power) {
      const auto power = column_of(*options_.power, names);
      powers_.clear();
      if (power) powers_.push_back(*power);
    }
  }

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
      if (times_.empty() || powers_.empty() || (times_.size() == 1 && times_ == powers_)) continue;
      const bool by_number = options_.time && options_.power && is_number(*options_.time) && is_number(*options_.power);
      if (by_number && looks_like_number(fields[powers_.front()]) && looks_like_time(fields[times_.front()])) {
        records_.go_to(offset, line);
        return take_columns(names, 0);
      }
      return take_columns(names, (*record)->line);
    }
    if (records_.fault()) {
      refuse(records_.line(),
             *records_.fault() == RecordFault::too_long
                 ? "the line is longer than " + std::to_string(line_limit) + " bytes: this is not a CSV of readings"
                 : std::string("a quotation mark is opened here and never closed; close it"));
      return {};
    }
    refuse_header(first_line);
    return {};
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
    if (times_.empty() || powers_.empty()) return false;
    return looks_like_time(fields[times_.front()]) && looks_like_number(fields[powers_.front()]);
  }

  void refuse_header(std::uint64_t line) {
    if (first_names_.empty())
      return refuse(records_.line(), "there is no header; the first line names the columns: time,power_w");
    attempt_.columns = first_names_.size();
    gather(first_names_);
    const std::string columns = "; its columns are " + shown_names(first_names_);
    if (options_.time && columns_of(*options_.time, first_names_).empty())
      return refuse(line, "no column, or more than one, is " + text::quoted(*options_.time) + columns +
                              "; name one with --time NAME or --time NUMBER");
    if (options_.power && !column_of(*options_.power, first_names_))
      return refuse(line, "no column, or more than one, is " + text::quoted(*options_.power) + columns +
                              "; name one with --power NAME or --power NUMBER");
    if (first_names_.size() == 1 && first_names_[0].find_first_of(" |:") != std::string::npos)
      return refuse(line, "the columns are divided by none of , ; and tab; say by what: --delimiter C");
    const bool data = std::all_of(first_names_.begin(), first_names_.end(), [](const std::string& name) {
      return looks_like_number(name) || looks_like_time(name) || says_nothing(name);
    });
    if (data && first_names_.size() > 1)
      return refuse(line, "there is no header; say which columns these are: --time 1 --power 2");
    if (powers_.empty())
      return refuse(line, "no column is called power" + columns + "; name it with --power NAME or --power NUMBER");
    refuse(line, "no column is called time" + columns + "; name it with --time NAME or --time NUMBER");
  }

  /// The header's columns, of which `times_` and `powers_` are candidates.
  Result<void> take_columns(const Names& names, std::uint64_t line) {
    Form& form = attempt_.form;
    attempt_.stage = Stage::columns;
    form.header_line = line;
    form.data_offset = records_.offset();
    form.data_line = records_.line();
    names_ = names;
    form.columns = names.size();
    while (line > 0 && form.columns > 1 && names[form.columns - 1].empty()) --form.columns;
    if (powers_.size() > 1) {
      Names several;
      for (const std::size_t column : powers_) several.push_back(names[column]);
      refuse(line, "more than one column may be the power: " + shown_names(several) +
                       "; name one with --power NAME or --power NUMBER");
      return {};
    }
    form.power = {{powers_.front()}, shown_column(powers_.front())};
    if (line == 0) return {};
    std::array<bool, quantity_count> seen{};
    for (std::size_t i = 0; i < names.size(); ++i) {
      const auto quantity = quantity_from_column(lower(names[i]));
      if (!quantity || i == powers_.front() || *quantity == Quantity::power) continue;
      if (seen[static_cast<std::size_t>(*quantity)]) {
        refuse(line, "the column " + text::quoted(names[i]) + " is named twice; leave one out");
        return {};
      }
      seen[static_cast<std::size_t>(*quantity)] = true;
      form.others.emplace_back(i, *quantity);
    }
    return {};
  }

  [[nodiscard]] std::string shown_column(std::size_t column) const {
    return attempt_.form.header_line == 0 ? "column " + std::to_string(column + 1) : text::quoted(names_[column]);
  }

  // ---- the rows

  /// Of several columns that may be the time, the one that is, by the first row. False: refused.
  bool choose_time(const std::vector<std::string_view>& fields) {
    Form& form = attempt_.form;
    const auto take = [&](std::vector<std::size_t> columns) {
      form.time.at = std::move(columns);
      form.time.shown = shown_column(form.time.at[0]);
      if (form.time.at.size() == 2) form.time.shown += " and " + shown_column(form.time.at[1]);
      return true;
    };
    if (options_.time) return take(times_);
    std::vector<std::size_t> full, dates, clocks;
    for (const std::size_t column : times_) {
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
    if (times_.size() == 1) return take(times_);
    const auto named =
        std::find_if(times_.begin(), times_.end(), [&](std::size_t column) { return lower(names_[column]) == "time"; });
    if (named != times_.end()) return take({*named});
    Names several;
    for (const std::size_t column : times_) several.push_back(names_[column]);
    refuse(form.header_line, "more than one column may be the time: " + shown_names(several) +
                                 "; name one with --time NAME or --time NUMBER");
    return false;
  }

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
        const ColumnMeaning meaning = meaning_of_column(names_[form.time.at[0]]);
        if (meaning.is_elapsed && !said_form_ && is_time_of_day(time_text(form, fields, scratch)))
          said_form_ = TimeForm{TimeKind::elapsed, DateOrder::year_first, 1e6};
        named_utc_ = form.header_line > 0 && meaning.is_utc;
        times.emplace(said_form_, form.header_line > 0 ? meaning.us_per_unit : std::nullopt,
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
      if (rows == 0 && !said_form_ && is_time_of_day(time)) {
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

  /// As numbers, whatever their signs mean: 5 and 5.0 do not.
  static bool differ(std::string_view one, std::string_view other) {
    const auto a = time_number(one);
    const auto b = time_number(other);
    return a && b ? *a != *b : one != other;
  }

  void refuse_no_date(std::uint64_t line, std::string_view time) {
    refuse(line, "the time " + text::quoted(time) +
                     " has no date; name the column with the date too (--time DATE+TIME), or count from 0 with "
                     "--date-format elapsed");
  }

  Result<void> conclude(const TimeEvidence& times, const NumberEvidence& powers, const NumberEvidence& others,
                        std::uint64_t first_line) {
    Form& form = attempt_.form;
    const auto time = times.found();
    if (!time) {
      refuse(first_line, time.error());
      return {};
    }
    form.time_form = time->form;
    form.backwards = time->backwards;
    form.looks_unix = time->looks_unix;
    form.names_month = time->names_month;
    form.usual_step_us = time->usual_step_us;
    form.zone_matters = time->is_shown;
    if (form.zone_matters && !options_.zone && named_utc_) {
      form.zone_text = "UTC";
    } else if (form.zone_matters && !options_.zone) {
      form.zone = Zone::local();
      form.zone_text = "local time";
    }
    const auto numbers = number_form_of(powers, others, said_decimal_);
    if (!numbers) {
      refuse(first_line, numbers.error());
      return {};
    }
    form.power_form = *numbers;
    form.other_form = *numbers;
    form.other_form.says_unit = false;
    const ColumnMeaning meaning = meaning_of_column(names_[form.power.at[0]]);
    if (form.header_line > 0 && meaning.scale && meaning.quantity == Quantity::power)
      form.power_form.factor = *meaning.scale;
    if (said_scale_) {
      form.power_form.factor = *said_scale_;
    } else if (form.header_line > 0 && !meaning.odd_unit.empty()) {
      refuse(form.header_line, "the power's column is in " + text::quoted(meaning.odd_unit) +
                                   ", which may be a slip; say its unit: --unit mW, --unit W or --unit kW");
    }
    return {};
  }

  const std::string& name_;
  const FileOptions& options_;
  Records records_;
  Fields fields_;
  Attempt attempt_;
  std::optional<TimeForm> said_form_;
  std::optional<char> said_decimal_;
  std::optional<Decimal> said_scale_;
  bool named_utc_ = false;  ///< the time's column says so
  Names names_, first_names_, comment_names_;
  std::uint64_t comment_line_ = 0;
  std::vector<std::size_t> times_, powers_;
};

Result<std::vector<char>> delimiters_from(const FileOptions& options) {
  if (!options.delimiter) return std::vector<char>{',', ';', '\t'};
  const std::string& word = *options.delimiter;
  if (word == "tab" || word == "\\t") return std::vector<char>{'\t'};
  if (word.size() != 1 || word == "\"" || word == "\n" || word == "\r")
    return fail(ErrorKind::input, "--delimiter: " + text::quoted(word) + " is no single character; write one, or tab");
  return std::vector<char>{word.front()};
}

std::string shown_delimiter(char delimiter) {
  return delimiter == '\t' ? std::string("tab") : std::string("'") + delimiter + "'";
}

/// What is no text is told from its first bytes.
Result<void> refuse_other_files(const std::string& name, const ReadAt& source) {
  std::array<char, 4096> head{};
  std::size_t filled = 0;  // a pipe gives what it has
  while (filled < head.size()) {
    const auto got = source(filled, std::span(head).subspan(filled));
    if (!got) return tl::unexpected(got.error());
    if (*got == 0) break;
    filled += *got;
  }
  const std::string_view begin(head.data(), filled);
  const auto refuse = [&](const std::string& what) { return fail(ErrorKind::input, name + ":1: " + what); };
  if (begin.empty()) return refuse("the file is empty; the first line names the columns: time,power_w");
  if (begin.substr(0, 4) == "PK\x03\x04")
    return refuse("this is a workbook or another packed file, no text; save it as CSV first");
  if (begin.substr(0, 2) == "\x1f\x8b")
    return refuse("this is packed; unpack it first: gunzip -c FILE | nightwatt import -");
  if (begin.find('\0') != std::string_view::npos)
    return refuse("there is a NUL byte in it, so this is no text; save it as CSV first");
  return {};
}

}  // namespace

std::string_view time_text(const Form& form, const std::vector<std::string_view>& fields, std::string& scratch) {
  const std::string_view first = fields[form.time.at[0]];
  if (form.time.at.size() == 1) return first;
  scratch.assign(first);
  scratch += ' ';
  scratch += fields[form.time.at[1]];
  return scratch;
}

Result<Form> find_form(const std::string& name, const ReadAt& source, const FileOptions& options) {
  if (auto text = refuse_other_files(name, source); !text) return tl::unexpected(text.error());
  const auto delimiters = delimiters_from(options);
  if (!delimiters) return tl::unexpected(delimiters.error());
  std::optional<Attempt> best;
  for (const char delimiter : *delimiters) {
    auto attempt = Finder(name, source, options, delimiter).attempt();
    if (!attempt) return tl::unexpected(attempt.error());
    if (best && best->stage == Stage::power_read && attempt->stage == Stage::power_read)
      return fail(ErrorKind::input, name + ":1: the file can be read with " + shown_delimiter(best->form.delimiter) +
                                        " or with " + shown_delimiter(delimiter) +
                                        " between its columns; say which: --delimiter");
    const bool further = !best || attempt->stage > best->stage;
    // Of delimiters that lead nowhere the one that divides the first row is most likely meant.
    const bool divides = best && attempt->stage == best->stage && attempt->columns > best->columns;
    if (further || divides) best = std::move(*attempt);
  }
  if (best->error) return tl::unexpected(*best->error);
  return std::move(best->form);
}

namespace {

bool is_own_form(const Form& form) {
  const Decimal& factor = form.power_form.factor;
  return form.delimiter == ',' && form.header_line > 0 && form.time.shown == "\"time\"" &&
         form.power.shown == text::quoted(quantity_column(Quantity::power)) && !form.zone_matters && !form.backwards &&
         form.power_form.decimal == '.' && !form.power_form.grouped && !form.power_form.says_unit &&
         factor.mantissa == 1 && factor.exponent == 0 &&
         (form.time_form.kind == TimeKind::number ? form.time_form.us_per_unit == 1e6 : form.time_form == TimeForm{});
}

}  // namespace

std::string form_text(const Form& form) {
  if (is_own_form(form)) return {};
  std::string time = time_form_text(form.time_form);
  if (form.names_month && form.time_form.kind == TimeKind::civil) time = "the month by name";
  if (form.looks_unix && form.time_form.kind == TimeKind::number) time = "Unix " + time;
  if (form.zone_matters) time += ", " + form.zone_text;
  const Decimal& factor = form.power_form.factor;
  const char* unit = factor.exponent == -3 ? "mW" : factor.exponent == 3 ? "kW" : "W";
  std::string text = "time = " + form.time.shown + " (" + time + "), power = " + form.power.shown +
                     (form.power_form.says_unit ? " in the unit beside each" : std::string(" in ") + unit) + ", " +
                     shown_delimiter(form.delimiter);
  for (const auto& [column, quantity] : form.others) text += ", " + std::string(quantity_column(quantity));
  if (form.power_form.decimal == ',') text += ", decimal comma";
  if (form.power_form.grouped)
    text += std::string(", '") + (form.power_form.decimal == ',' ? '.' : ',') + "' between thousands";
  if (form.header_line > 1) text += ", header in line " + std::to_string(form.header_line);
  if (form.header_line == 0) text += ", no header";
  if (form.backwards) text += ", read backwards";
  return text;
}

}  // namespace nightwatt::csv
