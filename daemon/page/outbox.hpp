// What waits to be sent to one client of the page, in order, and no more than a limit.
#pragma once

#include <cstddef>
#include <deque>
#include <memory>
#include <string>
#include <string_view>

#include "limits.hpp"

namespace nightwatt::daemon::page {

/// Texts are shared: a message to sixty watchers is in memory once.
class Outbox {
 public:
  using Text = std::shared_ptr<const std::string>;

  /// False: the client is too far behind, nothing was taken. One text alone is always taken.
  [[nodiscard]] bool put(Text text) {
    if (!texts_.empty() && bytes_ + text->size() > backlog_limit) return false;
    if (text->empty()) return true;
    bytes_ += text->size();
    texts_.push_back(std::move(text));
    return true;
  }
  /// What goes out next; empty if nothing waits.
  [[nodiscard]] std::string_view next() const {
    return texts_.empty() ? std::string_view() : std::string_view(*texts_.front()).substr(sent_);
  }
  /// So many bytes of next() were taken.
  void took(std::size_t count) {
    bytes_ -= count;
    sent_ += count;
    if (texts_.empty() || sent_ < texts_.front()->size()) return;
    texts_.pop_front();
    sent_ = 0;
  }
  [[nodiscard]] bool empty() const { return texts_.empty(); }
  [[nodiscard]] std::size_t bytes() const { return bytes_; }

 private:
  std::deque<Text> texts_;
  std::size_t sent_ = 0;   ///< of the first
  std::size_t bytes_ = 0;  ///< of all, unsent
};

}  // namespace nightwatt::daemon::page
