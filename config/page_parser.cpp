#include "page_parser.hpp"

#include <arpa/inet.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <optional>
#include <string_view>

namespace nightwatt::config {
namespace {

constexpr std::size_t listen_limit = 64;        // "[IPv6]:port" has at most 53
constexpr std::size_t token_path_limit = 4095;  // PATH_MAX less its end
constexpr std::string_view example = "listen = \"127.0.0.1:8471\" or \"[::1]:8471\"";

struct Place {
  std::string address;
  std::uint16_t port = 0;
};

bool is_address(const std::string& text, int family) {
  std::array<unsigned char, sizeof(in6_addr)> bytes{};
  return inet_pton(family, text.c_str(), bytes.data()) == 1;
}

/// `127.0.0.1:8471` or `[::1]:8471`; a name would have to be looked up, and could change.
std::optional<Place> place_of(std::string_view text) {
  const std::size_t colon = text.rfind(':');
  if (colon == std::string_view::npos) return std::nullopt;
  Place place;
  const std::string_view digits = text.substr(colon + 1);
  const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), place.port);
  if (error != std::errc{} || end != digits.data() + digits.size() || place.port == 0) return std::nullopt;
  std::string_view host = text.substr(0, colon);
  const bool bracketed = host.size() > 2 && host.front() == '[' && host.back() == ']';
  if (bracketed) host = host.substr(1, host.size() - 2);
  place.address = std::string(host);
  if (!is_address(place.address, bracketed ? AF_INET6 : AF_INET)) return std::nullopt;
  return place;
}

void check_who_may_look(CheckedTable& table, const PageConfig& page) {
  if (table.has("token") && table.has("token_file"))
    table.problem("token_file", "the page has both a token and a file with one", "keep one of the two");
  if (page.on() && !is_loopback(page.address) && !table.has("token") && !table.has("token_file"))
    table.problem("listen", "others than this machine reach " + page.address + " and the page has no token",
                  "add token_file = \"FILE\", or listen on 127.0.0.1");
}

}  // namespace

std::string token_fault(const std::string& token) {
  if (token.size() < shortest_token) return "is shorter than " + std::to_string(shortest_token) + " characters";
  if (token.size() > longest_token) return "is longer than " + std::to_string(longest_token) + " characters";
  if (!std::all_of(token.begin(), token.end(), [](char c) { return c > 0x20 && c < 0x7F; }))
    return "has blanks or characters that are not printable ASCII";
  return {};
}

bool is_loopback(const std::string& address) {
  in_addr four{};
  if (inet_pton(AF_INET, address.c_str(), &four) == 1) return ntohl(four.s_addr) >> 24U == 127;  // RFC 1122 3.2.1.3
  in6_addr six{};
  return inet_pton(AF_INET6, address.c_str(), &six) == 1 && IN6_IS_ADDR_LOOPBACK(&six);
}

PageConfig parse_page(CheckedTable table) {
  PageConfig page;
  if (!table.has("listen")) table.need("listen", "write " + std::string(example) + ", or take [page] out");
  if (const auto text = table.text("listen", listen_limit)) {
    if (const auto place = place_of(*text)) {
      page.address = place->address;
      page.port = place->port;
    } else {
      table.problem("listen", "\"listen\" is " + in_quotes(*text) + ", no numeric address and port",
                    "write " + std::string(example));
    }
  }
  if (auto token = table.secret("token", longest_token)) {
    if (const std::string fault = token_fault(*token); !fault.empty())
      table.problem("token", "the token " + fault, "make one with: openssl rand -hex 16");
    page.token = std::move(*token);
  }
  if (const auto path = table.path("token_file", token_path_limit)) page.token_file = *path;
  check_who_may_look(table, page);
  table.finish();
  return page;
}

}  // namespace nightwatt::config
