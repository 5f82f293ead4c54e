#include "text/line.hpp"

#include <algorithm>
#include <optional>

#include "fault_text.hpp"
#include "text/field.hpp"

namespace nightwatt::drivers::text {

namespace {

constexpr std::size_t key_limit = 64;

bool is_noise(char c) {
  return c == '\0' || c == '\xFF';
}

bool is_comment(std::string_view line) {
  return line.starts_with('#') || line.starts_with("//");
}

std::optional<unsigned> hex_digit(char c) {
  if (c >= '0' && c <= '9') return static_cast<unsigned>(c - '0');
  if (c >= 'A' && c <= 'F') return static_cast<unsigned>(c - 'A' + 10);
  if (c >= 'a' && c <= 'f') return static_cast<unsigned>(c - 'a' + 10);
  return std::nullopt;
}

std::optional<unsigned> hex_byte(std::string_view text) {
  if (text.size() != 2) return std::nullopt;
  const std::optional<unsigned> high = hex_digit(text[0]);
  const std::optional<unsigned> low = hex_digit(text[1]);
  if (!high || !low) return std::nullopt;
  return *high * 16 + *low;
}

std::string named(const ReadSpec& read) {
  return std::string(quantity_name(read.quantity));
}

bool scale_is_one(const Decimal& scale) {
  return scale == Decimal{1, 0} || scale == Decimal{-1, 0};
}

std::string_view without_noise_behind(std::string_view line) {
  while (!line.empty() && (is_noise(line.back()) || line.back() == ' ' || line.back() == '\t')) line.remove_suffix(1);
  return line;
}

}  // namespace

void UnitHabit::note(bool base) {
  // With a prefix behind one value, a value without any unit is in doubt; with the base unit it is the same.
  if (!base) unit_ = prefixed;
  if (!unit_) unit_ = std::string();
}

bool UnitHabit::accepts(std::string_view unit) {
  if (!unit_) unit_ = unit;
  if (*unit_ == unit) {
    other_running_ = 0;
    return true;
  }
  other_running_ = unit == other_ ? other_running_ + 1 : 1;
  other_ = unit;
  if (other_running_ < lines_to_believe) return false;
  unit_ = unit;
  other_running_ = 0;
  return true;
}

Result<LineReader> LineReader::make(const TextLineSettings& settings, const std::vector<ReadSpec>& reads) {
  if (reads.empty()) return fail(ErrorKind::input, "text-line: nothing to read; add a [[read]]");
  std::uint32_t seen = 0;
  for (const ReadSpec& read : reads) {
    const std::uint32_t bit = 1U << static_cast<unsigned>(read.quantity);
    if ((seen & bit) != 0) return fail(ErrorKind::input, "text-line: " + named(read) + " is read twice");
    seen |= bit;
    const bool columns = settings.form == TextForm::csv;
    if (columns && (read.column < 1 || read.column > static_cast<int>(column_limit)))
      return fail(ErrorKind::input, "text-line: " + named(read) + ": field must be a column from 1 to " +
                                        std::to_string(column_limit) + " for csv");
    if (!columns && (read.key.empty() || read.key.size() > key_limit))
      return fail(ErrorKind::input, "text-line: " + named(read) + ": field must be a key of 1 to " +
                                        std::to_string(key_limit) + " characters for this form");
    const bool repeated = !columns && std::count_if(reads.begin(), reads.end(),
                                                    [&](const ReadSpec& other) { return other.key == read.key; }) > 1;
    if (repeated) return fail(ErrorKind::input, "text-line: key " + quoted(read.key) + " is read twice");
  }
  return LineReader(settings, reads);
}

LineReader::LineReader(const TextLineSettings& settings, const std::vector<ReadSpec>& reads)
    : settings_(settings), reads_(reads), form_(JsonForm(reads)) {
  if (settings.form == TextForm::csv) form_.emplace<CsvForm>(reads, settings.checksum == TextChecksum::none);
  if (settings.form == TextForm::key_value) form_.emplace<KeyValueForm>(reads);
}

void LineReader::forget() {
  if (auto* csv = std::get_if<CsvForm>(&form_)) csv->forget();
  if (auto* key_value = std::get_if<KeyValueForm>(&form_)) key_value->forget();
  units_ = {};
  decimals_ = {};
  layout_ = {};
  noise_before_.clear();
}

bool LineReader::is_whole(std::string_view line) const {
  if (settings_.checksum == TextChecksum::xor_nmea) return line.starts_with('$');
  return settings_.form == TextForm::json && line.starts_with('{');
}

bool LineReader::reads_first_column() const {
  return settings_.form == TextForm::csv &&
         std::any_of(reads_.begin(), reads_.end(), [](const ReadSpec& read) { return read.column == 1; });
}

bool LineReader::may_be_half(std::string_view line, std::string_view whole) const {
  if (!reads_first_column() || is_whole(line)) return false;
  constexpr std::string_view ends = ";\t, ";
  const auto first_length = [&](std::string_view text) { return std::min(text.find_first_of(ends), text.size()); };
  return first_length(line) < first_length(whole);
}

void LineReader::read(std::string_view line, std::uint64_t at_byte, Output& out) {
  const auto malformed = [&](const std::string& what, std::string_view text) {
    out.faults.push_back(make_fault(FaultKind::malformed, at_byte, what + ": " + quoted(text)));
  };
  const std::size_t noise =
      static_cast<std::size_t>(std::find_if_not(line.begin(), line.end(), is_noise) - line.begin());
  const bool same_noise = line.substr(0, noise) == noise_before_;
  noise_before_ = line.substr(0, noise);
  at_byte += noise;
  line = without_noise_behind(line.substr(noise));
  const std::size_t blanks = line.size() - trimmed(line).size();
  const bool tabbed = settings_.form == TextForm::csv && line.starts_with('\t');  // an empty first column
  if (!tabbed) {
    at_byte += blanks;
    line = trimmed(line);
  }
  if (line.empty() || is_comment(line)) return;
  if (!is_printable(line)) return malformed("characters that are no text; a wrong baud rate looks like this", line);
  if (settings_.checksum == TextChecksum::xor_nmea && !open_checksum(line, at_byte, out)) return;

  const Found found = find(line);
  if (found.kind == Found::Kind::words) return;
  if (found.kind == Found::Kind::damaged) return malformed(found.problem, line);
  // A NUL in place of the first digit would make 230 into 30. A meter that puts noise before every line is believed.
  if (noise > 0 && !same_noise && settings_.checksum == TextChecksum::none && reads_first_column())
    return malformed("noise in front of the first column", line);
  const bool by_name = settings_.form != TextForm::csv && settings_.checksum == TextChecksum::none;
  if (by_name && !layout_.accepts(found.layout)) return malformed("other names than in the lines before", line);
  if (found.new_layout) {
    units_ = {};
    decimals_ = {};
  }
  Values values;
  bool good = true;
  // To the last value, so that what they have in common is learnt of all at once.
  for (std::size_t i = 0; i < reads_.size(); ++i) {
    const bool taken = take(i, found.texts[i], found.decimal_comma, at_byte, values, good, out);
    good = good && taken;
  }
  if (!good) return;
  std::visit([](auto& form) { form.settle(); }, form_);
  if (!values.empty()) out.readings.push_back(Measurement{values, at_byte, std::nullopt});
}

bool LineReader::open_checksum(std::string_view& line, std::uint64_t& at_byte, Output& out) const {
  const auto malformed = [&](const char* what) {
    out.faults.push_back(make_fault(FaultKind::malformed, at_byte, std::string(what) + ": " + quoted(line)));
    return false;
  };
  const std::size_t star = line.rfind('*');
  const std::optional<unsigned> sent = star == std::string_view::npos ? std::nullopt : hex_byte(line.substr(star + 1));
  const std::size_t dollar = line.rfind('$', star);
  if (dollar == std::string_view::npos) return sent ? malformed("the $ of a line with a check is missing") : false;
  if (!sent) return malformed("the check at the end of the line is missing");
  at_byte += dollar;
  line = line.substr(dollar + 1, star - dollar - 1);
  unsigned sum = 0;
  for (const char c : line) sum ^= static_cast<unsigned char>(c);
  if (sum == *sent) return !line.empty();
  out.faults.push_back(make_fault(FaultKind::checksum, at_byte, "the check of the line is wrong: " + quoted(line)));
  return false;
}

Found LineReader::find(std::string_view line) {
  return std::visit([&](auto& form) { return form.find(line); }, form_);
}

bool LineReader::digits_fit(std::size_t index, const Field& field, std::string_view text) {
  // A check says more, and a number with an exponent has as many digits as it likes.
  if (settings_.checksum != TextChecksum::none || text.find_first_of("eE") != std::string_view::npos) return true;
  if (decimals_unit_[index] != field.unit) {
    decimals_[index] = {};
    decimals_unit_[index] = field.unit;
  }
  return decimals_[index].accepts(field.value);
}

/// Puts one value in its place; false, with a fault if it is the line's first, where the line cannot be trusted.
bool LineReader::take(std::size_t index, std::string_view text, bool decimal_comma, std::uint64_t at_byte,
                      Values& values, bool first_fault, Output& out) {
  const ReadSpec& read = reads_[index];
  const auto report = [&](FaultKind kind, const std::string& what) {
    if (first_fault) out.faults.push_back(make_fault(kind, at_byte, named(read) + " " + what + ": " + quoted(text)));
    return false;
  };
  if (text.size() >= 2 && text.front() == '"' && text.back() == '"') text = text.substr(1, text.size() - 2);
  const Field field = read_field(text, decimal_comma);
  if (field.state == FieldState::none) return true;
  if (field.state == FieldState::word || field.state == FieldState::damaged)
    return report(FaultKind::malformed, "is no number");
  UnitMeaning meaning;
  if (!field.unit.empty()) meaning = unit_meaning(field.unit, read.quantity);
  if (meaning.fit == UnitFit::foreign) return report(FaultKind::malformed, "has the unit of another quantity");
  // With a scale of one the unit is obeyed, so that a meter may change from W to kW. A scale was written for one unit.
  const bool obeyed = scale_is_one(read.scale) && meaning.fit == UnitFit::known;
  if (obeyed) {
    units_[index].note(meaning.factor == Decimal{1, 0});
  } else if (!units_[index].accepts(field.unit)) {
    return report(FaultKind::malformed, "has another unit than in the lines before");
  }
  if (field.state == FieldState::number && !digits_fit(index, field, text))
    return report(FaultKind::malformed, "has not the digits behind the point of the lines before");
  std::optional<Decimal> value;
  if (field.state == FieldState::number) value = field.value.times(read.scale);
  if (value && obeyed) value = value->times(meaning.factor);
  if (!value) {
    report(FaultKind::range, "is out of range");
    return true;
  }
  values.set(read.quantity, *value);
  return true;
}

}  // namespace nightwatt::drivers::text
