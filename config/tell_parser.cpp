#include "tell_parser.hpp"

#include <algorithm>
#include <charconv>

namespace nightwatt::config {

namespace {

constexpr std::size_t word_limit = 4095;     // of a command; a path's limit
constexpr std::size_t words_limit = 64;      // more belongs into a script
constexpr std::size_t address_limit = 2048;  // common practice for URLs, no source
constexpr std::size_t host_limit = 253;      // RFC 1035, 2.3.4, less its dots at both ends
constexpr double shortest_silence_s = 1.0;   // looked at once a second
constexpr double longest_silence_s = 86400.0 * 7;
constexpr double longest_try_s = 300.0;  // a hook that needs longer should put itself into a queue of its own
constexpr std::int64_t most_tries = 20;  // with the pauses between them, an hour and a half

constexpr std::array<std::string_view, notification_kinds> kind_names = {
    "silent", "back", "disk_full", "disk_room", "run_ended", "level_moved", "store_damaged"};

tl::unexpected<Error> wrong(std::string_view what, std::string_view remedy) {
  return fail(ErrorKind::input, std::string(what) + "; " + std::string(remedy));
}

std::string lower(std::string_view text) {
  std::string result(text);
  for (char& c : result)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return result;
}

/// The host off the front of what follows `http://`, an IPv6 address without its brackets.
Result<std::string> take_host(std::string_view& rest) {
  std::string host;
  if (rest.substr(0, 1) == "[") {
    const std::size_t end = rest.find(']');
    if (end == std::string_view::npos) return wrong("an address in brackets has no end", "write http://[::1]:8080/");
    host = rest.substr(1, end - 1);
    rest.remove_prefix(end + 1);
  } else {
    const std::size_t end = std::min(rest.find_first_of(":/?"), rest.size());
    host = rest.substr(0, end);
    rest.remove_prefix(end);
  }
  const bool odd = std::any_of(host.begin(), host.end(), [](char c) {
    return !((c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' || c == '.' ||
             c == '_' || c == ':' || c == '%');
  });
  if (host.empty() || host.size() > host_limit || odd)
    return wrong("the webhook's host is " + in_quotes(host), "write http://192.168.1.10:8080/path");
  return host;
}

Result<std::uint16_t> take_port(std::string_view& rest) {
  constexpr std::uint16_t http_port = 80;
  if (rest.substr(0, 1) != ":") return http_port;
  rest.remove_prefix(1);
  std::uint16_t port = 0;
  const auto [end, problem] = std::from_chars(rest.data(), rest.data() + rest.size(), port);
  if (problem != std::errc() || port == 0) return wrong("the webhook's port is no port", "write one from 1 to 65535");
  rest.remove_prefix(static_cast<std::size_t>(end - rest.data()));
  return port;
}

void parse_events(CheckedTable& table, NotificationConfig& tell) {
  const std::string all = "silent, back, disk_full, disk_room, run_ended, level_moved, store_damaged";
  const auto words = table.texts("events", word_limit, notification_kinds);
  if (!table.has("events")) tell.events.fill(true);
  for (const std::string& word : words) {
    const auto found = std::find(kind_names.begin(), kind_names.end(), word);
    if (found == kind_names.end())
      table.problem("events", "there is no event " + in_quotes(word), "write some of " + all);
    else
      tell.events[static_cast<std::size_t>(found - kind_names.begin())] = true;
  }
}

void parse_receiver(CheckedTable& table, NotificationConfig& tell) {
  tell.command = table.texts("command", word_limit, words_limit);
  if (!tell.command.empty() && tell.command[0].find('/') != std::string::npos)
    tell.command[0] = table.beside("command", tell.command[0]);
  if (const auto text = table.text("webhook", address_limit)) {
    auto address = parse_web_address(*text);
    if (address) {
      tell.webhook = std::move(*address);
    } else {
      const std::string& message = address.error().message;
      const std::size_t cut = message.find("; ");
      table.problem("webhook", message.substr(0, cut), message.substr(cut + 2));
    }
  }
  if (table.has("command") && table.has("webhook"))
    table.problem("webhook", "the section has both a command and a webhook", "write a [[tell]] for each");
  else if (!table.has("command") && !table.has("webhook"))
    table.need("command", "write command = [\"/path/of/program\"] or webhook = \"http://...\"");
}

}  // namespace

std::string_view notification_kind_name(NotificationKind kind) {
  return kind_names[static_cast<std::size_t>(kind)];
}

Result<WebAddress> parse_web_address(std::string_view text) {
  const std::string scheme = lower(text.substr(0, std::min(text.find("://"), text.size())));
  if (scheme == "https")
    return wrong("a webhook over https is not supported",
                 "use http:// to a machine of your own network, or a command that posts it over https");
  if (scheme != "http" || text.find("://") == std::string_view::npos)
    return wrong("the webhook is " + in_quotes(text), "write http://HOST:PORT/PATH");
  if (std::any_of(text.begin(), text.end(), [](char c) { return c <= ' ' || c > '~'; }))
    return wrong("the webhook has characters that an address may not hold", "write them as %XX");
  std::string_view rest = text.substr(std::string_view("http://").size());
  if (rest.substr(0, rest.find_first_of("/?")).find('@') != std::string_view::npos)
    return wrong("the webhook holds a user's name", "it would go over the wire unhidden: leave it out");
  WebAddress address;
  const auto host = take_host(rest);
  if (!host) return tl::unexpected(host.error());
  const auto port = take_port(rest);
  if (!port) return tl::unexpected(port.error());
  address.host = *host;
  address.port = *port;
  rest = rest.substr(0, rest.find('#'));
  if (!rest.empty() && rest[0] != '/' && rest[0] != '?')
    return wrong("the webhook goes on with " + in_quotes(rest) + " after its host", "write http://HOST:PORT/PATH");
  address.target = rest.substr(0, 1) == "/" ? std::string(rest) : "/" + std::string(rest);
  return address;
}

NotificationConfig parse_tell(CheckedTable& table) {
  NotificationConfig tell;
  parse_events(table, tell);
  parse_receiver(table, tell);
  if (const auto s = table.number("silent_s", {shortest_silence_s, longest_silence_s})) tell.silent_s = *s;
  if (const auto s = table.number("timeout_s", {0.0, longest_try_s, true})) tell.timeout_s = *s;
  if (const auto tries = table.integer("tries", {1, most_tries})) tell.tries = static_cast<int>(*tries);
  table.finish();
  return tell;
}

}  // namespace nightwatt::config
