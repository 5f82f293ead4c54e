#include "daemon/reading_queue.hpp"

#include <algorithm>
#include <utility>

namespace nightwatt::daemon {
namespace {

bool is_request(const QueueItem& item) {
  return std::holds_alternative<std::shared_ptr<RunCommand>>(item) ||
         std::holds_alternative<std::shared_ptr<QueuedMeters>>(item);
}

// A calendar that was put right is what all that was recorded since the machine's start is shown by: were it lost, no
// later start of the machine could put that right.
bool is_urgent(const QueueItem& item) {
  return is_request(item) || std::holds_alternative<QueuedUtcOffset>(item);
}

}  // namespace

void ReadingQueue::push_locked(QueueItem item) {
  if (items_.empty()) first_pushed_ = clock_.monotonic();
  const bool urgent = is_urgent(item);
  // The store thread sleeps until the batch's first item is `flush` old: only the first and an urgent one need wake it.
  const bool wake = items_.empty() || urgent;
  urgent_ = urgent_ || urgent;
  asked_ = asked_ || is_request(item);
  items_.push_back(std::move(item));
  if (wake) wake_locked();
}

bool ReadingQueue::push(QueuedReading reading) {
  const std::lock_guard lock(mutex_);
  if (readings_ >= reading_limit_) return false;
  ++readings_;
  push_locked(std::move(reading));
  return true;
}

bool ReadingQueue::push(QueueItem item) {
  if (auto* reading = std::get_if<QueuedReading>(&item)) return push(std::move(*reading));
  const std::lock_guard lock(mutex_);
  const std::size_t limit = std::holds_alternative<QueuedLook>(item) ? look_limit : other_limit;
  if (items_.size() - readings_ >= limit) return false;
  push_locked(std::move(item));
  return true;
}

void ReadingQueue::push_always(QueueItem item) {
  const std::lock_guard lock(mutex_);
  if (std::holds_alternative<QueuedReading>(item)) ++readings_;
  push_locked(std::move(item));
}

void ReadingQueue::wake_locked() {
  wake_.notify_one();
  if (on_wake_) on_wake_();
}

ReadingQueue::Look ReadingQueue::wait_locked(Duration flush) {
  if (stopped_) return {Wake::stop, std::nullopt};
  if (std::exchange(poked_, false)) return {Wake::poke, std::nullopt};
  if (items_.empty()) return {};
  const MonoTime due = first_pushed_ + flush;
  if (!urgent_ && clock_.monotonic() < due) return {std::nullopt, due};
  asked_ = false;
  return {Wake::batch, std::nullopt};
}

ReadingQueue::Look ReadingQueue::rest_locked(MonoTime end) {
  if (stopped_) return {Wake::stop, std::nullopt};
  if (std::exchange(poked_, false)) return {Wake::poke, std::nullopt};
  if (std::exchange(asked_, false) || clock_.monotonic() >= end) return {Wake::rested, std::nullopt};
  return {std::nullopt, end};
}

ReadingQueue::Look ReadingQueue::look_wait(Duration flush) {
  const std::lock_guard lock(mutex_);
  return wait_locked(flush);
}

ReadingQueue::Look ReadingQueue::look_rest(MonoTime end) {
  const std::lock_guard lock(mutex_);
  return rest_locked(end);
}

ReadingQueue::Wake ReadingQueue::wait(Duration flush) {
  std::unique_lock lock(mutex_);
  for (;;) {
    const Look look = wait_locked(flush);
    if (look.wake) return *look.wake;
    if (look.due)
      wake_.wait_for(lock, *look.due - clock_.monotonic());
    else
      wake_.wait(lock);
  }
}

ReadingQueue::Wake ReadingQueue::rest(Duration pause) {
  const MonoTime end = clock_.monotonic() + pause;
  std::unique_lock lock(mutex_);
  for (;;) {
    const Look look = rest_locked(end);
    if (look.wake) return *look.wake;
    wake_.wait_for(lock, end - clock_.monotonic());
  }
}

std::vector<QueueItem> ReadingQueue::take() {
  const std::lock_guard lock(mutex_);
  readings_ = 0;
  urgent_ = false;
  asked_ = false;
  return std::exchange(items_, {});
}

std::vector<QueueItem> ReadingQueue::take_commands() {
  const std::lock_guard lock(mutex_);
  std::vector<QueueItem> commands, others;
  for (QueueItem& item : items_)
    (std::holds_alternative<std::shared_ptr<RunCommand>>(item) ? commands : others).push_back(std::move(item));
  items_ = std::move(others);
  urgent_ = std::any_of(items_.begin(), items_.end(), is_urgent);
  asked_ = false;
  return commands;
}

void ReadingQueue::poke() {
  const std::lock_guard lock(mutex_);
  poked_ = true;
  wake_locked();
}

void ReadingQueue::stop() {
  const std::lock_guard lock(mutex_);
  stopped_ = true;
  wake_locked();
}

std::size_t ReadingQueue::readings() const {
  const std::lock_guard lock(mutex_);
  return readings_;
}

bool ReadingQueue::empty() const {
  const std::lock_guard lock(mutex_);
  return items_.empty();
}

}  // namespace nightwatt::daemon
