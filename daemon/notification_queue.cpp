#include "daemon/notification_queue.hpp"

#include <algorithm>
#include <utility>

namespace nightwatt::daemon {

bool NotificationQueue::push(NotificationMessage message, MonoTime now) {
  if (waiting_.size() >= limit) return false;
  if (waiting_.empty()) next_ = now;
  waiting_.push_back(std::move(message));
  return true;
}

std::optional<MonoTime> NotificationQueue::due() const {
  if (waiting_.empty() || on_its_way_) return std::nullopt;
  return next_;
}

const NotificationMessage& NotificationQueue::start() {
  on_its_way_ = true;
  ++tried_;
  return waiting_.front();
}

NotificationQueue::Outcome NotificationQueue::finish(bool told, MonoTime now) {
  on_its_way_ = false;
  if (!told && tried_ < tries_) {
    next_ = now + pause_;
    pause_ = std::min(2 * pause_, longest_pause);
    return Outcome::again;
  }
  waiting_.pop_front();
  tried_ = 0;
  next_ = now;
  pause_ = first_pause;
  return told ? Outcome::told : Outcome::given_up;
}

}  // namespace nightwatt::daemon
