// Who may look at the page: token, cookie, and how often one may be wrong.
#pragma once

#include <deque>
#include <optional>
#include <string>
#include <string_view>

#include "limits.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon::page {

/// Takes as long for a wrong `given` as for a right one of its length, wherever they differ.
[[nodiscard]] bool same_secret(std::string_view given, std::string_view secret);

/// 256 bits from the system, as hex digits; nothing where it has none to give.
[[nodiscard]] std::optional<std::string> random_secret();

/// Counts wrong tokens by peer, so that only who guesses waits. Bounded: of too many peers the longest quiet is
/// forgotten. No clock of its own.
class WrongTokens {
 public:
  /// False: too many lately; do not even look at the token.
  [[nodiscard]] bool may_try(std::string_view peer, MonoTime now);
  void note_wrong(std::string_view peer, MonoTime now);
  /// A right one: the peer starts afresh.
  void note_right(std::string_view peer);
  [[nodiscard]] std::size_t remembered() const { return peers_.size(); }

 private:
  struct Window {
    MonoTime begin;
    std::size_t wrong = 0;
    [[nodiscard]] bool over(MonoTime now) const { return now - begin > tries_time; }
  };
  struct Peer {
    std::string name;
    Window window;
  };
  [[nodiscard]] Peer* find(std::string_view peer);
  static void count(Window& window, MonoTime now);

  std::deque<Peer> peers_;  ///< the longest quiet first
};

/// What peers are told apart by: an IPv4 address, or the first 64 bits of an IPv6 one, within which anybody may choose.
[[nodiscard]] std::string peer_key(const std::string& address);

}  // namespace nightwatt::daemon::page
