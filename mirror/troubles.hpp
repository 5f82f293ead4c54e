// What the mirror's thread does about trouble that lasts: how long it waits before it tries again, and what is news.
#pragma once

#include <algorithm>
#include <chrono>
#include <string>

namespace nightwatt::mirror {

/// Trouble lasts until a whole pass went well. That the server was reached ends none: one whose disk is full lets
/// everybody in, and a line in the log for each try would wear out a card.
class Troubles {
 public:
  /// True: it is news.
  [[nodiscard]] bool met(const std::string& trouble) {
    pause_ = next_pause_;
    next_pause_ = std::min(next_pause_ * 2, longest_pause);
    const bool is_news = trouble != last_;
    last_ = trouble;
    return is_news && !trouble.empty();
  }
  /// Something was brought, so that it is worth trying again soon.
  void got_on() { next_pause_ = first_pause; }
  /// True: that it is over is news.
  [[nodiscard]] bool over() {
    got_on();
    const bool was_any = any();
    last_.clear();
    return was_any;
  }
  [[nodiscard]] bool any() const { return !last_.empty(); }
  /// Before the next try.
  [[nodiscard]] std::chrono::seconds pause() const { return pause_; }

 private:
  static constexpr std::chrono::seconds first_pause{1}, longest_pause{60};  // doubled each time
  std::string last_;
  std::chrono::seconds pause_ = first_pause, next_pause_ = first_pause;
};

}  // namespace nightwatt::mirror
