#include "problems.hpp"

#include <algorithm>
#include <filesystem>

namespace nightwatt::config {

const Problems::Source& Problems::source(int line) const {
  const auto after =
      std::find_if(files_.begin() + 1, files_.end(), [&](const Source& s) { return s.first_line > line; });
  return *(after - 1);
}

std::string Problems::place(int line) const {
  const Source& of = source(line);
  return of.file + ":" + std::to_string(line - of.first_line + 1);
}

std::string Problems::place_seen_from(int line, int seen_from) const {
  const Source& of = source(line);
  return &of == &source(seen_from) ? "line " + std::to_string(line - of.first_line + 1) : place(line);
}

std::string Problems::beside(int line, const std::string& path) const {
  const std::string& folder = folder_of(line);
  if (std::filesystem::path(path).is_absolute() || folder.empty()) return path;
  return (std::filesystem::path(folder) / path).lexically_normal().string();
}

void Problems::add(int line, std::string_view what, std::string_view remedy) {
  std::string message = place(line) + ": ";
  message.append(what).append("; ").append(remedy);
  add(line, Error{ErrorKind::input, std::move(message)});
}

void Problems::add(int line, Error error) {
  if (entries_.size() < problem_limit) entries_.push_back({line, std::move(error)});
}

std::vector<Error> Problems::errors() const {
  std::vector<Entry> sorted = entries_;
  std::stable_sort(sorted.begin(), sorted.end(), [](const Entry& a, const Entry& b) { return a.line < b.line; });
  std::vector<Error> out;
  for (Entry& entry : sorted) {
    const auto same = [&](const Error& e) { return e.message == entry.error.message; };
    if (std::none_of(out.begin(), out.end(), same)) out.push_back(std::move(entry.error));
  }
  return out;
}

}  // namespace nightwatt::config
