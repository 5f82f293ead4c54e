#include "profile_edit.hpp"

#include <algorithm>
#include <optional>
#include <vector>

#include "setup/files.hpp"

namespace nightwatt::query {
namespace {

std::string without_blanks(const std::string& line) {
  std::string text;
  for (const char c : line.substr(0, line.find('#')))
    if (c != ' ' && c != '\t' && c != '\r') text += c;
  return text;
}

}  // namespace

Result<std::string> with_correction(const std::string& profile, const Correction& correction) {
  std::vector<std::string> lines;
  for (std::size_t at = 0; at < profile.size();) {
    const std::size_t end = std::min(profile.size(), profile.find('\n', at));
    lines.push_back(profile.substr(at, end - at));
    at = end + 1;
  }
  std::optional<std::size_t> power;
  bool in_read = false;
  std::size_t read_begin = 0;
  std::vector<std::size_t> corrections;
  for (std::size_t i = 0; i < lines.size(); ++i) {
    const std::string line = without_blanks(lines[i]);
    if (!line.empty() && line.front() == '[') {
      in_read = line == "[[read]]";
      read_begin = i;
    }
    if (in_read && line == "quantity=\"power\"") power = i;
    if (in_read && power && *power >= read_begin && line.rfind("correction=", 0) == 0) corrections.push_back(i);
  }
  if (!power)
    return fail(ErrorKind::input,
                "the profile has no [[read]] with quantity = \"power\" on a line of its own; add "
                "the line that calibrate prints by hand");
  for (std::size_t i = corrections.size(); i-- > 0;)
    lines.erase(lines.begin() + static_cast<std::ptrdiff_t>(corrections[i]));
  lines.insert(lines.begin() + static_cast<std::ptrdiff_t>(*power + 1), setup::correction_line(correction));
  std::string text;
  for (const std::string& line : lines) text += line + "\n";
  return text;
}

}  // namespace nightwatt::query
