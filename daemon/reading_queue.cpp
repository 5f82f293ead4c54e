#include "daemon/reading_queue.hpp"

#include <algorithm>
#include <utility>

namespace nightwatt::daemon {
namespace {

bool is_urgent(const QueueItem& item) {
  return std::holds_alternative<std::shared_ptr<RunCommand>>(item) ||
         std::holds_alternative<std::shared_ptr<QueuedMeters>>(item);
}

}  // namespace

void ReadingQueue::push_locked(QueueItem item) {
  if (items_.empty()) first_pushed_ = std::chrono::steady_clock::now();
  const bool urgent = is_urgent(item);
  // The store thread sleeps until the batch's first item is `flush` old: only the first and an urgent one need wake it.
  const bool wake = items_.empty() || urgent;
  urgent_ = urgent_ || urgent;
  asked_ = asked_ || urgent;
  items_.push_back(std::move(item));
  if (wake) wake_.notify_one();
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
  if (items_.size() - readings_ >= other_limit) return false;
  push_locked(std::move(item));
  return true;
}

void ReadingQueue::push_always(QueueItem item) {
  const std::lock_guard lock(mutex_);
  if (std::holds_alternative<QueuedReading>(item)) ++readings_;
  push_locked(std::move(item));
}

ReadingQueue::Wake ReadingQueue::wait(std::chrono::microseconds flush) {
  std::unique_lock lock(mutex_);
  for (;;) {
    if (stopped_) return Wake::stop;
    if (std::exchange(poked_, false)) return Wake::poke;
    if (items_.empty()) {
      wake_.wait(lock);
      continue;
    }
    const auto due = first_pushed_ + flush;
    if (urgent_ || std::chrono::steady_clock::now() >= due) {
      asked_ = false;
      return Wake::batch;
    }
    wake_.wait_until(lock, due);
  }
}

ReadingQueue::Wake ReadingQueue::rest(std::chrono::microseconds pause) {
  const auto end = std::chrono::steady_clock::now() + pause;
  std::unique_lock lock(mutex_);
  for (;;) {
    if (stopped_) return Wake::stop;
    if (std::exchange(poked_, false)) return Wake::poke;
    if (std::exchange(asked_, false) || std::chrono::steady_clock::now() >= end) return Wake::rested;
    wake_.wait_until(lock, end);
  }
}

std::deque<QueueItem> ReadingQueue::take() {
  const std::lock_guard lock(mutex_);
  readings_ = 0;
  urgent_ = false;
  asked_ = false;
  return std::exchange(items_, {});
}

std::deque<QueueItem> ReadingQueue::take_commands() {
  const std::lock_guard lock(mutex_);
  std::deque<QueueItem> commands, others;
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
  wake_.notify_one();
}

void ReadingQueue::stop() {
  const std::lock_guard lock(mutex_);
  stopped_ = true;
  wake_.notify_one();
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
