#include "daemon/meter_session.hpp"

#include <algorithm>
#include <utility>

namespace nightwatt::daemon {
namespace {

std::string more_like_it(std::uint64_t swallowed) {
  return swallowed == 0 ? std::string() : " (" + std::to_string(swallowed) + " more like it since the last line)";
}

}  // namespace

MeterSession::MeterSession(MeterId id, std::string name, Duration interval, std::unique_ptr<drivers::Decoder> decoder,
                           TimeKeeper& time, ReadingQueue& queue, LogSink log, std::optional<UtcTime> last_stored,
                           Reporting reporting)
    : id_(id),
      name_(std::move(name)),
      interval_(interval),
      reporting_(reporting),
      decoder_(std::move(decoder)),
      time_(time),
      queue_(queue),
      log_(std::move(log)),
      start_(time.now()),
      last_stamp_(last_stored),
      opened_at_(start_),
      gap_rule_(reporting.gap_s) {
  if (reporting_.on_change) shown_.emplace(reporting_.gap_s);
}

void MeterSession::say(LogLevel level, std::string_view text) const {
  log_(level, "meter " + name_ + ": " + std::string(text));
}

void MeterSession::port_opened(MonoTime now, std::string_view where) {
  port_open_ = true;
  opened_at_ = now;
  decoder_->reset(since_start(now));
  time_.observe(now);
  say(LogLevel::info, "port open: " + std::string(where));
  if (port_lost_noted_ && push_event(storage::EventKind::port_back, time_.stamp(now), std::string(where), 0.0))
    port_lost_noted_ = false;
}

void MeterSession::port_failed(MonoTime now, std::string_view state, std::string_view why) {
  const bool was_open = port_open_;
  const bool news = was_open || port_state_ != state;
  port_open_ = false;
  port_state_ = state;
  output_.send.clear();
  output_.line.reset();
  // Losing an open port and not getting at one are two kinds: a plug pulled soon after the start is told as well.
  RepeatLimiter& lines = was_open ? lost_port_lines_ : closed_port_lines_;
  if (news)
    if (const auto swallowed = lines.admit(now))
      say(LogLevel::warning, "port " + port_state_ + ": " + std::string(why) + more_like_it(*swallowed));
  if (!port_lost_noted_)
    port_lost_noted_ = push_event(storage::EventKind::port_lost, time_.stamp(now), std::string(why), 0.0);
}

void MeterSession::feed(std::span<const std::byte> bytes, MonoTime now) {
  decoder_->feed(bytes, since_start(now), output_);
  take_output(now);
}

void MeterSession::tick(MonoTime now) {
  if (!port_open_) return;
  decoder_->tick(since_start(now), output_);
  take_output(now);
}

std::optional<MonoTime> MeterSession::next_tick() const {
  if (!port_open_) return std::nullopt;
  const auto next = decoder_->next_tick();
  if (!next) return std::nullopt;
  return start_ + *next;
}

// A little ago, for a reading may have its own time.
void MeterSession::notify_silence(MonoTime now) {
  constexpr Duration settled{2'000'000};
  if (!reporting_.on_change || !port_open_ || !last_heard_ || now - *last_heard_ <= settled) return;
  (void)queue_.push(QueueItem(QueuedLook{id_, time_.stamp(now - settled)}));  // the next one will do as well
}

void MeterSession::take_output(MonoTime now) {
  for (const drivers::Fault& fault : output_.faults) count_fault(fault, now);
  output_.faults.clear();
  for (const std::string& note : output_.notes) say(LogLevel::info, note);
  output_.notes.clear();
  if (output_.readings.empty()) return;
  trouble_.clear();
  time_.observe(now);
  for (const drivers::Measurement& measurement : output_.readings)
    keep(measurement, time_.stamp(measurement.at ? start_ + *measurement.at : now));
  output_.readings.clear();
  last_heard_ = now;
}

// Readings that arrive together, and one whose clock did not move, are set a step apart: a stream's times rise.
void MeterSession::keep(const drivers::Measurement& measurement, UtcTime at) {
  ++readings_;
  const UtcTime time = last_stamp_ ? std::max(at, *last_stamp_ + TimeKeeper::stamp_step) : at;
  last_stamp_ = time;
  show(measurement, time);
  if (queue_.push(QueuedReading{id_, {time, measurement.values}})) return notify_lost();
  if (lost_.count++ == 0) lost_.first = time;
  ++lost_total_;
  if (const auto swallowed = lost_lines_.admit(time_.now()))
    say(LogLevel::error, "reading lost: the store has not been written for too long" + more_like_it(*swallowed));
}

void MeterSession::show(const drivers::Measurement& measurement, UtcTime time) {
  if (gap_rule_.push(time)) ++gaps_;
  values_ = measurement.values;
  const auto power = last_value(Quantity::power);
  if (!power) return;
  const auto take = [this](UtcTime at, double power_w) { add_live(at, power_w); };
  shown_ ? shown_->push(time, *power, take) : take(time, *power);
}

void MeterSession::add_live(UtcTime time, double power_w) {
  if (!watched_) return;
  if (live_.size() >= live_limit) live_.erase(live_.begin(), live_.begin() + live_limit / 2);
  live_.push_back({time + time_.utc_offset(), power_w});
}

std::vector<LivePoint> MeterSession::take_live(MonoTime now) {
  if (watched_ && shown_ && port_open_)
    shown_->hold_until(time_.stamp(now), [this](UtcTime at, double power_w) { add_live(at, power_w); });
  return std::exchange(live_, {});
}

std::optional<double> MeterSession::last_value(Quantity quantity) const {
  const auto value = values_.get(quantity);
  return value ? std::optional(value->value()) : std::nullopt;
}

void MeterSession::watch(bool wanted) {
  watched_ = wanted;
  if (!wanted) live_ = {};
}

// Only once there is room again, so that a long pause is one event.
void MeterSession::notify_lost() {
  if (lost_.count == 0) return;
  std::string detail = std::to_string(lost_.count) + " readings found no room while the store could not be written";
  if (push_event(storage::EventKind::readings_lost, lost_.first, std::move(detail), static_cast<double>(lost_.count)))
    lost_ = {};
}

void MeterSession::count_fault(const drivers::Fault& fault, MonoTime now) {
  ++faults_;
  if (drivers::tells_misfit(fault)) trouble_ = fault.message;
  const auto kind = std::min(static_cast<std::size_t>(fault.kind), fault_kinds - 1);
  if (const auto swallowed = fault_lines_[kind].admit(now)) {
    say(LogLevel::warning,
        std::string(drivers::fault_kind_name(fault.kind)) + ": " + fault.message + more_like_it(*swallowed));
  }
}

bool MeterSession::push_event(storage::EventKind kind, UtcTime at, std::string detail, double amount) {
  storage::Event event;
  event.kind = kind;
  event.at = at;
  event.meter = name_;
  event.detail = std::move(detail);
  event.amount = amount;
  return queue_.push(std::move(event));
}

MeterStatus MeterSession::status(MonoTime now) const {
  MeterStatus result;
  result.name = name_;
  result.readings = readings_;
  result.faults = faults_;
  result.trouble = trouble_;
  result.lost = lost_total_;
  result.gaps = gaps_;
  result.gap_s = gap_rule_.limit_s();
  result.power_w = last_value(Quantity::power);
  result.voltage_v = last_value(Quantity::voltage);
  result.current_a = last_value(Quantity::current);
  result.energy_wh = last_value(Quantity::energy);
  if (last_stamp_) {
    result.last = *last_stamp_ + time_.utc_offset();
    result.age_s = std::max(0.0, to_seconds(time_.stamp(now) - *last_stamp_).value);
  }
  Duration silence_limit = std::max(silent_after, silent_intervals * interval_);
  if (reporting_.gap_s) silence_limit = std::max(silence_limit, to_duration({*reporting_.gap_s}));
  const MonoTime heard = last_heard_ ? std::max(*last_heard_, opened_at_) : opened_at_;
  const bool any = last_heard_ && *last_heard_ >= opened_at_;  // that was good, since the port is open
  result.state = !port_open_                   ? port_state_
                 : now - heard > silence_limit ? "silent"
                 : any                         ? "recording"
                                               : "no reading yet";
  return result;
}

}  // namespace nightwatt::daemon
