// How long to wait before a broker is tried again, and when to say that somebody keeps ending our connections.
#pragma once

#include <algorithm>
#include <chrono>
#include <utility>

namespace nightwatt::publish {

class ReconnectPause {
 public:
  static constexpr std::chrono::seconds first_pause{1}, longest_pause{60};  // doubled after each trouble
  /// A connection that held for so long was good. Longer than anybody waits who wants it for himself, and ends it.
  static constexpr std::chrono::seconds settled = 3 * longest_pause;
  static constexpr int often = 3;  // a broker that is just being restarted cuts one connection or two

  void holds(std::chrono::steady_clock::duration so_long) {
    if (so_long >= settled) *this = {};
  }
  /// The broker, or the way to it, ended a connection.
  void cut() { ++cut_; }
  /// One connection after the other was ended before it had settled.
  [[nodiscard]] bool cut_often() const { return cut_ >= often; }
  /// What to wait now.
  std::chrono::seconds next() { return std::exchange(pause_, std::min(pause_ * 2, longest_pause)); }

 private:
  std::chrono::seconds pause_ = first_pause;
  int cut_ = 0;
};

}  // namespace nightwatt::publish
