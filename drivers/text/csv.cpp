#include <algorithm>

#include "text/field.hpp"
#include "text/forms.hpp"

namespace nightwatt::drivers::text {

namespace {

char separator_of(std::string_view line) {
  for (const char separator : {';', '\t', ','})
    if (line.find(separator) != std::string_view::npos) return separator;
  return ' ';
}

bool comma_is_point(char separator) {
  return separator == ';' || separator == '\t';
}

std::string_view without_quotes(std::string_view text) {
  text = trimmed(text);
  if (text.size() >= 2 && text.front() == '"' && text.back() == '"') text = text.substr(1, text.size() - 2);
  return text;
}

}  // namespace

Found::Kind kind_for(std::size_t found, std::size_t wanted) {
  if (found == wanted) return Found::Kind::data;
  return found == 0 ? Found::Kind::words : Found::Kind::damaged;
}

CsvForm::CsvForm(const std::vector<ReadSpec>& reads, bool bound) : reads_(reads.size()), bound_(bound) {
  for (std::size_t i = 0; i < reads_; ++i) {
    columns_[i] = static_cast<std::size_t>(reads[i].column - 1);
    last_wanted_ = std::max(last_wanted_, columns_[i]);
  }
}

void CsvForm::forget() {
  layout_ = {};
  other_ = {};
  other_running_ = 0;
}

CsvForm::Layout CsvForm::split(std::string_view line, char separator) {
  Layout layout{separator, 0};
  while (true) {
    if (separator == ' ') line = trimmed(line);
    const std::size_t end = std::min(line.find(separator), line.size());
    if (layout.columns < column_limit) fields_[layout.columns] = without_quotes(line.substr(0, end));
    ++layout.columns;
    if (end == line.size()) return layout;
    line.remove_prefix(end + 1);
  }
}

bool CsvForm::is_data(std::size_t columns, bool decimal_comma) const {
  columns = std::min(columns, column_limit);
  for (std::size_t i = 0; i < reads_; ++i)
    if (columns_[i] < columns && begins_number(fields_[columns_[i]], decimal_comma)) return true;
  std::size_t numbers = 0;
  std::size_t words = 0;
  for (std::size_t i = 0; i < columns; ++i) {
    const FieldState state = read_field(fields_[i], decimal_comma).state;
    if (state == FieldState::word) ++words;
    if (state != FieldState::word && state != FieldState::none) ++numbers;
  }
  return numbers > words;
}

bool CsvForm::believed(const Layout& layout) {
  other_running_ = layout == other_ ? other_running_ + 1 : 1;
  other_ = layout;
  return other_running_ >= lines_to_believe;
}

Found CsvForm::find(std::string_view line) {
  const char separator = separator_of(line);
  now_ = split(line, separator);
  Found found;
  found.decimal_comma = comma_is_point(separator);
  if (!is_data(now_.columns, found.decimal_comma)) return found;

  if (last_wanted_ >= now_.columns)
    return Found::damage("column " + std::to_string(last_wanted_ + 1) + " is missing, the line has " +
                         std::to_string(now_.columns));
  if (now_ == layout_) other_running_ = 0;
  if (bound_ && layout_.columns != 0 && !(now_ == layout_)) {
    found.new_layout = believed(now_);
    if (!found.new_layout && now_.separator != layout_.separator)
      return Found::damage("another separator than in the lines before");
    if (!found.new_layout)
      return Found::damage(std::to_string(now_.columns) + " columns where the lines before have " +
                           std::to_string(layout_.columns));
  }
  found.kind = Found::Kind::data;
  for (std::size_t i = 0; i < reads_; ++i) found.texts[i] = fields_[columns_[i]];
  return found;
}

}  // namespace nightwatt::drivers::text
