#include "iec62056/dialogue.hpp"

#include <algorithm>
#include <vector>

#include "fault_text.hpp"

namespace nightwatt::drivers::iec62056 {

namespace {

/// Between two characters of a meter, at most (6.5), and a little for the way through a USB bridge.
constexpr Duration longest_pause{1'700'000};
/// A meter answers 200 ms after what it is to answer, at the soonest; 20 ms where the third letter of its maker is a
/// small one (6.3.2). The line must be at its new speed by then, and not before the last character has left the wire.
constexpr Duration switch_after{60'000};
constexpr Duration switch_soon_after{8'000};
/// Between the end of a read-out and the next request: meters need it to be ready again (from memory of several).
constexpr Duration rest{500'000};
/// After the opening: a read-out that somebody else asked for takes no longer at a usual speed.
constexpr Duration longest_listening{60'000'000};
/// A battery meter is woken by NULs for 2.1 to 2.3 s, then 1.5 to 1.7 s of silence (annex B).
constexpr Duration wake_length{2'200'000};
constexpr Duration wake_pause{1'600'000};
constexpr char ack = 0x06;
constexpr std::string_view nak = "\x15";

/// The speeds are 300 baud doubled so often. Digits are of mode C, from 0; letters of mode B, from A = 600 (6.3.14).
constexpr std::uint32_t slowest = 300;
constexpr int most_doublings = 6;

std::uint32_t speed(int doublings) {
  return slowest << static_cast<unsigned>(doublings);
}

}  // namespace

Dialogue::Dialogue(obis::RegisterPlan plan, obis::RegisterPlan power, const Iec62056Settings& settings,
                   const LineSettings& line, Duration interval)
    : reader_(std::move(plan)),
      power_(std::move(power)),
      settings_(settings),
      base_(line),
      interval_(interval),
      baud_(line.baud),
      highest_(settings.highest_baud) {
  reset(Duration{0});
}

void Dialogue::reset(Duration now) {
  framer_.forget();
  echo_.forget();
  reader_.forget();
  phase_ = Phase::listening;
  deadline_ = now + longest_pause;
  listen_until_ = now + longest_listening;
  slot_ = now;
  baud_ = base_.baud;
  tries_ = 0;
}

void Dialogue::tick(Duration now, Output& out) {
  if (now < deadline_) return;
  switch (phase_) {
    case Phase::listening:
      slot_ = now;
      tries_ = 0;
      begin(now, out);
      break;
    case Phase::idle:
      tries_ = 0;
      begin(now, out);
      break;
    case Phase::waking:
      request(now, out);
      break;
    case Phase::ident:
      if (tries_ <= settings_.retries) return begin(now, out);
      fail_round(FaultKind::timeout,
                 "no identification in answer to the request" +
                     (tries_ == 1 ? std::string() : ", " + std::to_string(tries_) + " times"),
                 now, out);
      break;
    case Phase::switching: {
      LineSettings line = base_;
      line.baud = baud_;
      out.line = line;
      await_data(now);
      break;
    }
    case Phase::data:
      if (!repeated_ && now < give_up_at_) return repeat(now, out);
      if (baud_ != base_.baud) go_slower(out);
      fail_round(FaultKind::timeout, heard_data_ ? "a read-out that breaks off" : "no data after the identification",
                 now, out);
      break;
  }
}

void Dialogue::begin(Duration now, Output& out) {
  repeated_ = false;
  if (!settings_.wake_up) return request(now, out);
  const auto characters = static_cast<std::size_t>(wake_length / base_.character_time());
  out.send.insert(out.send.end(), characters, std::byte{0});
  phase_ = Phase::waking;
  deadline_ = now + wake_length + wake_pause;
}

void Dialogue::request(Duration now, Output& out) {
  ++tries_;
  framer_.forget();
  send("/?" + settings_.address + "!\r\n", now, out);
  phase_ = Phase::ident;
}

void Dialogue::send(std::string_view text, Duration now, Output& out) {
  const auto bytes = std::as_bytes(std::span(text.data(), text.size()));
  out.send.insert(out.send.end(), bytes.begin(), bytes.end());
  echo_.sent(bytes);
  LineSettings line = base_;
  line.baud = baud_;
  deadline_ = now + settings_.timeout + line.character_time() * static_cast<std::int64_t>(text.size());
}

void Dialogue::feed(std::span<const std::byte> bytes, Duration now, Output& out) {
  for (const std::byte byte : bytes) echo_.feed(byte, [&](std::byte passed) { on_byte(passed, now, out); });
}

void Dialogue::on_byte(std::byte byte, Duration now, Output& out) {
  if (phase_ == Phase::listening) {
    deadline_ = std::min(now + longest_pause, std::max(listen_until_, now));
    return;
  }
  // Nobody is asked: what comes is of another read-out, or noise.
  if (phase_ == Phase::idle || phase_ == Phase::waking) return;
  constexpr std::byte seven_bits{0x7F};
  constexpr std::byte stx{0x02};
  // Before the speed is set, only the data of a meter that is quicker than it may be is no noise.
  if (phase_ == Phase::switching && !framer_.inside() && (byte & seven_bits) != stx) return;
  // NUL is what a line makes, and no character of a meter's.
  if ((byte & seven_bits) != std::byte{0} && phase_ != Phase::switching) {
    deadline_ = now + longest_pause;
    if (phase_ == Phase::data) heard_data_ = true;
  }
  framer_.feed(byte, [&](const Frame& frame) { on_frame(frame, now, out); });
  if (phase_ == Phase::data || phase_ == Phase::switching) note_instant(now);
}

/// The reading counts from the instant when its power came: a read-out at 300 baud takes half a minute.
void Dialogue::note_instant(Duration now) {
  if (power_at_) return;
  const std::string_view line = framer_.ended_line();
  const auto code = obis::parse_code(line.substr(0, line.find('(')));
  if (code && power_.wants(*code)) power_at_ = now;
}

void Dialogue::on_frame(const Frame& frame, Duration now, Output& out) {
  switch (frame.kind) {
    case FrameKind::request:
    case FrameKind::command:
      break;  // of another master
    case FrameKind::ident:
      if (phase_ == Phase::ident) on_ident(frame.text, now, out);
      break;
    case FrameKind::block:
    case FrameKind::unframed:
      if (phase_ != Phase::data && phase_ != Phase::switching) break;
      static_cast<void>(reader_.read(frame, power_at_, out));
      end(now, out);
      break;
    case FrameKind::damaged:
      on_damage(frame.fault, now, out);
      break;
  }
}

void Dialogue::on_damage(const Fault& fault, Duration now, Output& out) {
  out.faults.push_back(fault);
  if (phase_ != Phase::data) return;
  // A repetition may only be asked for when the meter has ended; its silence says so.
  power_at_.reset();
  framer_.await_data();
  deadline_ = now + longest_pause;
}

void Dialogue::on_ident(std::string_view ident, Duration now, Output& out) {
  const bool is_quick = ident[2] >= 'a' && ident[2] <= 'z';
  const char sign = ident[3];
  power_at_.reset();
  heard_data_ = false;
  if (sign >= 'A' && sign <= 'F') {  // mode B, whatever the profile says: it changes by itself
    baud_ = speed(sign - 'A' + 1);
    phase_ = Phase::switching;
    deadline_ = now;
    return;
  }
  const bool is_c = sign >= '0' && sign <= '0' + most_doublings;
  if (!is_c || settings_.mode != Iec62056Mode::c) return await_data(now);
  int doublings = sign - '0';
  while (doublings > 0 && speed(doublings) > highest_) --doublings;
  const std::string text = {ack, '0', static_cast<char>('0' + doublings), '0', '\r', '\n'};
  send(text, now, out);
  const Duration on_wire = base_.character_time() * static_cast<std::int64_t>(text.size());
  baud_ = speed(doublings);
  if (baud_ == base_.baud) return await_data(now + on_wire);
  phase_ = Phase::switching;
  deadline_ = now + on_wire + (is_quick ? switch_soon_after : switch_after);
}

void Dialogue::await_data(Duration now) {
  phase_ = Phase::data;
  if (!framer_.inside()) framer_.await_data();
  // At the line's speed the longest block takes so long, noise that never ends no longer.
  LineSettings line = base_;
  line.baud = baud_;
  give_up_at_ = now + settings_.timeout + line.character_time() * static_cast<std::int64_t>(Framer::limit);
  deadline_ = now + settings_.timeout;
}

void Dialogue::repeat(Duration now, Output& out) {
  repeated_ = true;
  power_at_.reset();
  framer_.await_data();
  send(nak, now, out);
}

void Dialogue::fail_round(FaultKind kind, std::string what, Duration now, Output& out) {
  out.faults.push_back(make_fault(kind, framer_.fed(), std::move(what)));
  end(now, out);
}

void Dialogue::go_slower(Output& out) {
  if (settings_.mode != Iec62056Mode::c || baud_ <= slowest) return;
  highest_ = baud_ / 2;
  out.notes.push_back("no read-out at " + std::to_string(baud_) + " baud: " + std::to_string(highest_) +
                      " baud is tried next");
}

void Dialogue::end(Duration now, Output& out) {
  if (baud_ != base_.baud) out.line = base_;
  baud_ = base_.baud;
  phase_ = Phase::idle;
  const Duration earliest = now + rest;
  slot_ += interval_;
  if (slot_ < earliest) slot_ += interval_ * ((earliest - slot_) / interval_ + 1);
  deadline_ = slot_;
}

}  // namespace nightwatt::drivers::iec62056
