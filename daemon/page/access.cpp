#include "access.hpp"

#include <arpa/inet.h>
#include <sys/random.h>

#include <algorithm>
#include <array>

namespace nightwatt::daemon::page {

bool same_secret(std::string_view given, std::string_view secret) {
  // Volatile, so that no compiler makes an early end of it.
  volatile unsigned char different = given.size() == secret.size() ? 0 : 1;
  for (std::size_t i = 0; i < given.size(); ++i) {
    const auto a = static_cast<unsigned char>(given[i]);
    const auto b = static_cast<unsigned char>(secret.empty() ? '\0' : secret[i % secret.size()]);
    different = static_cast<unsigned char>(different | (a ^ b));
  }
  return different == 0 && !secret.empty();
}

std::optional<std::string> random_secret() {
  std::array<unsigned char, 32> bytes{};
  if (::getrandom(bytes.data(), bytes.size(), 0) != static_cast<ssize_t>(bytes.size())) return std::nullopt;
  constexpr std::string_view digits = "0123456789abcdef";
  std::string text;
  for (const unsigned char byte : bytes) {
    text += digits[byte >> 4U];
    text += digits[byte & 15U];
  }
  return text;
}

WrongTokens::Peer* WrongTokens::find(std::string_view peer) {
  const auto found = std::find_if(peers_.begin(), peers_.end(), [&](const Peer& entry) { return entry.name == peer; });
  return found == peers_.end() ? nullptr : &*found;
}

void WrongTokens::count(Window& window, MonoTime now) {
  if (window.wrong == 0 || window.over(now)) window = {now, 0};
  ++window.wrong;
}

bool WrongTokens::may_try(std::string_view peer, MonoTime now) {
  const Peer* known = find(peer);
  return known == nullptr || known->window.wrong < tries || known->window.over(now);
}

void WrongTokens::note_wrong(std::string_view peer, MonoTime now) {
  Peer entry{std::string(peer), {}};
  if (const Peer* known = find(peer)) entry = *known;
  note_right(peer);
  count(entry.window, now);
  if (peers_.size() >= remembered_peers) peers_.pop_front();
  peers_.push_back(std::move(entry));
}

void WrongTokens::note_right(std::string_view peer) {
  std::erase_if(peers_, [&](const Peer& entry) { return entry.name == peer; });
}

std::string peer_key(const std::string& address) {
  in6_addr six{};
  if (inet_pton(AF_INET6, address.substr(0, address.find('%')).c_str(), &six) != 1) return address;
  std::string key = "v6";
  // An IPv4 address in IPv6 clothes is told apart by its last bytes (RFC 4291 2.5.5.2).
  const std::size_t from = IN6_IS_ADDR_V4MAPPED(&six) ? 8 : 0;
  for (std::size_t i = from; i < from + 8; ++i) key += "." + std::to_string(six.s6_addr[i]);
  return key;
}

}  // namespace nightwatt::daemon::page
