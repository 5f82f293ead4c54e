// What the daemon's tests share: a clock that jumps, a meter that says what it is told, a log that remembers.
#pragma once

#include <cstddef>
#include <memory>
#include <mutex>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "daemon/log.hpp"
#include "daemon/reading_queue.hpp"
#include "drivers/decoder.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::test {

using namespace std::chrono_literals;

// 2026-01-05T21:00:00Z.
inline constexpr UtcTime evening{1'767'646'800'000'000};

/// Runs only when it is told to; its calendar may be set like anybody's.
class JumpingClock final : public Clock {
 public:
  [[nodiscard]] MonoTime monotonic() const override { return mono_; }
  [[nodiscard]] UtcTime utc() const override { return utc_; }
  [[nodiscard]] std::string boot() const { return "boot-" + std::to_string(boots_); }
  void pass(Duration time) {
    mono_ = mono_ + time;
    utc_ = utc_ + time;
  }
  void set_calendar(Duration step) { utc_ = utc_ + step; }
  /// The machine was off for `time`, as its calendar tells.
  void reboot(Duration time) {
    ++boots_;
    mono_ = MonoTime{3'000'000};
    utc_ = utc_ + time;
  }

 private:
  int boots_ = 1;
  MonoTime mono_{5'000'000};
  UtcTime utc_ = evening;
};

class Log {
 public:
  [[nodiscard]] daemon::LogSink sink() {
    return [this](daemon::LogLevel, std::string_view text) {
      const std::lock_guard lock(mutex_);
      lines_.emplace_back(text);
    };
  }
  [[nodiscard]] std::size_t count(std::string_view part) const {
    const std::lock_guard lock(mutex_);
    std::size_t found = 0;
    for (const std::string& line : lines_)
      if (line.find(part) != std::string::npos) ++found;
    return found;
  }
  [[nodiscard]] std::string last() const {
    const std::lock_guard lock(mutex_);
    return lines_.empty() ? std::string() : lines_.back();
  }

 private:
  mutable std::mutex mutex_;
  std::vector<std::string> lines_;
};

inline Values power(std::int64_t milliwatts) {
  Values values;
  values.set(Quantity::power, {milliwatts, -3});
  return values;
}

/// A byte a frame: a letter is a reading of so many watts as it stands in the alphabet from `a` = 0, '!' a bad
/// checksum.
class LetterDecoder final : public drivers::Decoder {
 public:
  void feed(std::span<const std::byte> bytes, Duration, drivers::Output& out) override {
    for (const std::byte byte : bytes) {
      const int letter = std::to_integer<int>(byte);
      if (letter == '!')
        out.faults.push_back({drivers::FaultKind::checksum, fed_, "check value wrong"});
      else
        out.readings.push_back({power((letter - 'a') * 1000), fed_});
      ++fed_;
    }
  }
  void tick(Duration, drivers::Output&) override {}
  [[nodiscard]] std::optional<Duration> next_tick() const override { return std::nullopt; }
  void reset(Duration) override {}

 private:
  std::uint64_t fed_ = 0;
};

inline std::vector<std::byte> bytes(std::string_view text) {
  std::vector<std::byte> result;
  for (const char c : text) result.push_back(static_cast<std::byte>(c));
  return result;
}

/// The items of one type in a queue's content, in order.
template <class T>
std::vector<T> only(const std::vector<daemon::QueueItem>& items) {
  std::vector<T> result;
  for (const auto& item : items)
    if (const T* found = std::get_if<T>(&item)) result.push_back(*found);
  return result;
}

}  // namespace nightwatt::test
