#include "target.hpp"

#include <arpa/inet.h>

#include <algorithm>
#include <charconv>

#include "limits.hpp"

namespace nightwatt::daemon::page {
namespace {

std::optional<unsigned char> hex_digit(char c) {
  if (c >= '0' && c <= '9') return static_cast<unsigned char>(c - '0');
  const char lower = static_cast<char>(c | 0x20);
  if (lower >= 'a' && lower <= 'f') return static_cast<unsigned char>(lower - 'a' + 10);
  return std::nullopt;
}

// As a form sends it: `+` is a blank, `%41` an A.
std::optional<std::string> decoded(std::string_view text) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] != '%') {
      out += text[i] == '+' ? ' ' : text[i];
      continue;
    }
    if (text.size() - i < 3) return std::nullopt;
    const auto high = hex_digit(text[i + 1]);
    const auto low = hex_digit(text[i + 2]);
    if (!high || !low) return std::nullopt;
    out += static_cast<char>(*high << 4U | *low);
    i += 2;
  }
  return out;
}

template <class T>
std::optional<T> number_of(std::string_view text) {
  T value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (text.empty() || error != std::errc{} || end != text.data() + text.size()) return std::nullopt;
  return value;
}

std::string_view take_until(std::string_view& text, char separator) {
  const std::size_t end = std::min(text.find(separator), text.size());
  const std::string_view part = text.substr(0, end);
  text.remove_prefix(std::min(end + 1, text.size()));
  return part;
}

std::string_view without_blanks(std::string_view text) {
  const auto blank = [](char c) { return c == ' ' || c == '\t'; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

bool same_word(std::string_view a, std::string_view lower) {
  return std::equal(a.begin(), a.end(), lower.begin(), lower.end(),
                    [](char x, char y) { return (x >= 'A' && x <= 'Z' ? static_cast<char>(x + 32) : x) == y; });
}

}  // namespace

std::optional<Target> parse_target(std::string_view text) {
  if (text.empty() || text.front() != '/' || text.size() > target_limit) return std::nullopt;
  Target target;
  target.path = std::string(take_until(text, '?'));
  while (!text.empty()) {
    std::string_view pair = take_until(text, '&');
    const std::string_view key = take_until(pair, '=');
    auto value = decoded(pair);
    if (!value) return std::nullopt;
    if (key == "token" && !target.token) target.token = std::move(*value);
    if (key == "stream" && !target.stream) target.stream = number_of<std::uint64_t>(*value);
  }
  return target;
}

std::optional<std::string_view> cookie_value(std::string_view header, std::string_view name) {
  while (!header.empty()) {
    std::string_view pair = without_blanks(take_until(header, ';'));
    const std::size_t equals = pair.find('=');
    if (equals == std::string_view::npos || pair.substr(0, equals) != name) continue;
    std::string_view value = pair.substr(equals + 1);
    if (value.size() >= 2 && value.front() == '"' && value.back() == '"') value = value.substr(1, value.size() - 2);
    return value;
  }
  return std::nullopt;
}

std::optional<std::string_view> bearer_token(std::string_view header) {
  header = without_blanks(header);
  const std::string_view scheme = take_until(header, ' ');
  if (!same_word(scheme, "bearer")) return std::nullopt;
  const std::string_view token = without_blanks(header);
  return token.empty() ? std::nullopt : std::optional(token);
}

bool names_loopback(std::string_view host) {
  const bool bracketed = !host.empty() && host.front() == '[';
  const std::size_t close = host.find(']');
  if (bracketed && close == std::string_view::npos) return false;
  std::string_view name = bracketed ? host.substr(1, close - 1) : host.substr(0, host.find(':'));
  const std::string_view port = bracketed ? host.substr(close + 1) : host.substr(name.size());
  if (!port.empty() && (port.front() != ':' || !number_of<std::uint16_t>(port.substr(1)))) return false;
  if (bracketed) {
    in6_addr six{};
    return inet_pton(AF_INET6, std::string(name).c_str(), &six) == 1 && IN6_IS_ADDR_LOOPBACK(&six);
  }
  if (same_word(name, "localhost")) return true;
  in_addr four{};
  return inet_pton(AF_INET, std::string(name).c_str(), &four) == 1 && ntohl(four.s_addr) >> 24U == 127;
}

std::optional<std::int64_t> run_of_path(std::string_view path) {
  constexpr std::string_view folder = "/runs/";
  if (!path.starts_with(folder)) return std::nullopt;
  const std::string_view number = path.substr(folder.size());
  if (number.starts_with('0')) return std::nullopt;  // a run has one address
  const auto run = number_of<std::int64_t>(number);
  return run && *run > 0 ? run : std::nullopt;
}

}  // namespace nightwatt::daemon::page
