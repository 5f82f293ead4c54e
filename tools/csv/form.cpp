#include "form.hpp"

#include <algorithm>
#include <array>
#include <span>

#include "attempt.hpp"
#include "evidence.hpp"
#include "text/printable.hpp"

namespace nightwatt::csv {
namespace {

/// Columns named in a refusal; the rest is left to the reader's own eyes.
constexpr std::size_t columns_shown = 12;

}  // namespace

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

bool looks_like_time(std::string_view cell) {
  if (time_number(cell) || is_time_of_day(cell) || is_date_alone(cell)) return true;
  return read_civil(cell, DateOrder::year_first) || read_civil(cell, DateOrder::day_first) ||
         read_civil(cell, DateOrder::month_first);
}
bool looks_like_number(std::string_view cell) {
  NumberEvidence evidence;
  evidence.add(cell);
  return !says_nothing(cell) && evidence.of(NumberLook::none) == 0;
}

std::string shown_column(const Form& form, const Names& names, std::size_t column) {
  return form.header_line == 0 ? "column " + std::to_string(column + 1) : text::quoted(names[column]);
}

void Attempt::refuse(std::uint64_t line, const std::string& what) {
  if (!error)
    error = Error{ErrorKind::input, file + ":" + std::to_string(std::max<std::uint64_t>(line, 1)) + ": " + what};
}

Result<SaidForm> said_form(const FileOptions& options) {
  SaidForm said{options, {}, {}, {}, {}};
  if (options.date_format) {
    const auto form = time_form_from(*options.date_format);
    if (!form) return tl::unexpected(form.error());
    said.time = *form;
  }
  if (options.decimal) {
    if (*options.decimal != "." && *options.decimal != ",")
      return fail(ErrorKind::input, "--decimal: " + text::quoted(*options.decimal) + " is none; write . or ,");
    said.decimal = options.decimal->front();
  }
  if (options.unit) {
    said.scale = watts_per(*options.unit);
    if (!said.scale)
      return fail(ErrorKind::input, "--unit: " + text::quoted(*options.unit) + " is none; write mW, W or kW");
  }
  if (options.zone) {
    auto zone = Zone::named(*options.zone);
    if (!zone) return tl::unexpected(zone.error());
    said.zone = std::move(*zone);
  }
  return said;
}

namespace {

/// An error: the disk's, whatever the delimiter.
Result<Attempt> attempt_with(char delimiter, const std::string& name, const ReadAt& source, const SaidForm& said) {
  Attempt attempt;
  attempt.file = name;
  attempt.form.delimiter = delimiter;
  if (said.zone) {
    attempt.form.zone = *said.zone;
    attempt.form.zone_text = text::printable(*said.options.zone);
  }
  Records records(source, delimiter);
  Fields fields(delimiter);
  auto columns = find_header(attempt, said, records, fields);
  if (!columns) return tl::unexpected(columns.error());
  if (attempt.error || attempt.stage == Stage::nothing) return attempt;
  if (auto looked = look_at_rows(attempt, said, std::move(*columns), records, fields); !looked)
    return tl::unexpected(looked.error());
  return attempt;
}

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
  const auto said = said_form(options);
  if (!said) return tl::unexpected(said.error());
  std::optional<Attempt> best;
  for (const char delimiter : *delimiters) {
    auto attempt = attempt_with(delimiter, name, source, *said);
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
