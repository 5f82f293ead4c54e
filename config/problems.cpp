#include "problems.hpp"

#include <algorithm>

namespace nightwatt::config {

void Problems::add(int line, std::string_view what, std::string_view remedy) {
  std::string message = file_ + ":" + std::to_string(line) + ": ";
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
