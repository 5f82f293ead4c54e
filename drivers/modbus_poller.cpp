#include "modbus_poller.hpp"

#include <algorithm>
#include <string>

#include "fault_text.hpp"

namespace nightwatt::drivers::modbus {

namespace {

/// Two frames: one that is being received and as much noise in front of it.
constexpr std::size_t stray_limit = 2 * longest_frame;

constexpr int acknowledge = 5;
constexpr int busy = 6;

int number(std::byte byte) {
  return std::to_integer<int>(byte);
}

/// The last `length` bytes, if there are so many.
std::span<const std::byte> tail(const std::vector<std::byte>& bytes, std::size_t length) {
  if (bytes.size() < length) return {};
  return std::span(bytes).last(length);
}

bool is_exception_to(std::span<const std::byte> bytes, const Request& request) {
  return bytes.size() == exception_length && number(bytes[0]) == request.unit &&
         number(bytes[1]) == (request.function | 0x80) && check_is_good(bytes);
}

}  // namespace

Duration frame_pause(const LineSettings& line) {
  constexpr std::uint32_t fixed_above_baud = 19200;
  constexpr Duration fixed{1750};
  if (line.baud > fixed_above_baud) return fixed;
  return Duration((line.character_time().count() * 7 + 1) / 2);
}

Poller::Poller(Plan plan, const ModbusRtuSettings& settings, const LineSettings& line, Duration interval)
    : plan_(std::move(plan)),
      timeout_(settings.timeout),
      retries_(settings.retries),
      interval_(interval),
      character_time_(line.character_time()),
      pause_(frame_pause(line)) {
  buffer_.reserve(stray_limit);
}

void Poller::reset(Duration now) {
  buffer_.clear();
  values_ = {};
  outstanding_ = false;
  last_byte_.reset();
  owed_ = 0;
  if (slot_ && (phase_ != Phase::idle || *slot_ < now)) end_cycle(now);
  phase_ = Phase::idle;
}

std::optional<Duration> Poller::next_tick() const {
  switch (phase_) {
    case Phase::idle:
      return slot_.value_or(Duration{0});
    case Phase::pausing:
      return silent_at();
    case Phase::waiting:
      return deadline_;
  }
  return std::nullopt;
}

void Poller::tick(Duration now, Output& out) {
  // A slot leads to a pause, a pause to a request: no more than these can be due at one instant.
  constexpr int most_steps = 4;
  for (int step = 0; step < most_steps; ++step) {
    if (phase_ == Phase::idle) {
      if (slot_ && now < *slot_) return;
      if (!slot_) slot_ = now;
      index_ = 0;
      tries_ = 0;
      values_ = {};
      begin_pause(now);
    } else if (phase_ == Phase::pausing) {
      if (now < silent_at()) return;
      send(now, out);
    } else {
      if (now < deadline_) return;
      on_deadline(now, out);
    }
  }
}

Duration Poller::silent_at() const {
  Duration at = pause_began_;
  // On a line that never falls silent we ask all the same after one time-out: waiting longer helps nobody.
  if (last_byte_) at = std::max(at, std::min(*last_byte_ + pause_, pause_began_ + std::max(timeout_, pause_)));
  const bool repeats = tries_ > 0;
  if (owed_ > 0 && !repeats) at = std::max(at, owed_until_);
  return at;
}

void Poller::begin_pause(Duration now) {
  phase_ = Phase::pausing;
  pause_began_ = now;
}

void Poller::send(Duration now, Output& out) {
  flush_stray(buffer_.size(), out.faults);
  if (tries_ > retries_) {  // the last try came back damaged
    outstanding_ = false;
    end_cycle(now);
    return;
  }
  if (tries_ == 0) owed_ = 0;
  asked_ = current();
  sent_ = request_frame(*asked_);
  out.send.insert(out.send.end(), sent_.begin(), sent_.end());
  ++tries_;
  outstanding_ = true;
  // The time-out is the meter's time to think: the bytes of both frames need theirs on the wire as well.
  const auto characters = static_cast<std::int64_t>(request_length + current().answer_length());
  deadline_ = now + timeout_ + character_time_ * characters;
  phase_ = Phase::waiting;
}

void Poller::on_deadline(Duration now, Output& out) {
  ++owed_;
  if (tries_ <= retries_) {
    begin_pause(now);
    return;
  }
  flush_stray(buffer_.size(), out.faults);
  out.faults.push_back(make_fault(FaultKind::timeout, fed_,
                                  "no answer from unit " + std::to_string(plan_.unit()) + " to " + current().text() +
                                      (tries_ == 1 ? "" : " after " + std::to_string(tries_) + " tries")));
  outstanding_ = false;
  owed_until_ = now + timeout_;
  end_cycle(now);
}

void Poller::end_cycle(Duration now) {
  phase_ = Phase::idle;
  tries_ = 0;
  Duration next = slot_.value_or(now) + interval_;
  if (next < now) next += interval_ * ((now - next + interval_ - Duration{1}) / interval_);
  slot_ = next;
}

void Poller::feed(std::span<const std::byte> bytes, Duration now, Output& out) {
  if (bytes.empty()) return;
  last_byte_ = now;
  for (const std::byte byte : bytes) {
    if (buffer_.size() == stray_limit) flush_stray(stray_limit - longest_frame, out.faults);
    buffer_.push_back(byte);
    ++fed_;
    if (outstanding_) {
      check_end(now, out);
    } else if (owed_ > 0) {
      check_late(now);
    }
  }
}

void Poller::check_end(Duration now, Output& out) {
  if (drop_echo(out)) return;
  if (is_exception_to(tail(buffer_, exception_length), current())) {
    on_exception(now, out);
    return;
  }
  const std::size_t length = current().answer_length();
  const std::span<const std::byte> last = tail(buffer_, length);
  if (last.empty() || !begins_answer(last, current())) return;
  if (check_is_good(last)) {
    on_answer(length, now, out);
  } else if (phase_ == Phase::waiting) {
    // Ask again as soon as the line is silent; if this was noise that looked like an answer, the answer is still taken.
    begin_pause(now);
  }
}

void Poller::check_late(Duration now) {
  const std::span<const std::byte> last = tail(buffer_, asked_->answer_length());
  const bool answer = !last.empty() && begins_answer(last, *asked_) && check_is_good(last);
  if (!answer && !is_exception_to(tail(buffer_, exception_length), *asked_)) return;
  if (--owed_ == 0) owed_until_ = now;
}

bool Poller::drop_echo(Output& out) {
  const std::span<const std::byte> last = tail(buffer_, request_length);
  if (last.empty() || !std::equal(last.begin(), last.end(), sent_.begin())) return false;
  flush_stray(buffer_.size() - request_length, out.faults);
  buffer_.clear();
  return true;
}

void Poller::on_answer(std::size_t length, Duration now, Output& out) {
  const std::size_t stray = buffer_.size() - length;
  const std::uint64_t at_byte = fed_ - length;
  flush_stray(stray, out.faults);
  if (index_ == 0) reading_at_ = at_byte;
  const std::span<const std::byte> data = std::span<const std::byte>(buffer_).subspan(3, length - 5);
  plan_.take(current(), data, at_byte, values_, out.faults);
  buffer_.clear();
  outstanding_ = false;
  owed_until_ = deadline_;  // matters only where an earlier try timed out
  if (index_ + 1 < plan_.requests().size()) {
    ++index_;
    tries_ = 0;
    begin_pause(now);
    return;
  }
  if (!values_.empty()) out.readings.push_back(Measurement{values_, reading_at_});
  end_cycle(now);
}

void Poller::on_exception(Duration now, Output& out) {
  const int code = number(buffer_[buffer_.size() - 3]);
  flush_stray(buffer_.size() - exception_length, out.faults);
  buffer_.clear();
  outstanding_ = false;
  out.faults.push_back(make_fault(FaultKind::exception, fed_ - exception_length,
                                  "unit " + std::to_string(plan_.unit()) + " refused " + current().text() + ": " +
                                      std::string(exception_name(code)) + " (exception " + std::to_string(code) + ")"));
  owed_until_ = deadline_;
  const bool ask_again = (code == acknowledge || code == busy) && tries_ <= retries_;
  if (ask_again) {
    begin_pause(now);
  } else {
    end_cycle(now);
  }
}

void Poller::flush_stray(std::size_t count, std::vector<Fault>& faults) {
  if (count == 0) return;
  report_stray(std::span<const std::byte>(buffer_).first(count), fed_ - buffer_.size(), plan_, faults);
  buffer_.erase(buffer_.begin(), buffer_.begin() + static_cast<std::ptrdiff_t>(count));
}

}  // namespace nightwatt::drivers::modbus
