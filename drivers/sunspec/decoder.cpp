#include "sunspec/decoder.hpp"

#include <algorithm>
#include <array>
#include <string>

#include "fault_text.hpp"
#include "modbus/tcp_frame.hpp"
#include "pieces.hpp"
#include "sunspec/model.hpp"

namespace nightwatt::drivers::sunspec {

namespace {

/// Where a map may begin, counted from 0 (SunSpec, device discovery).
constexpr std::array<std::uint16_t, 3> bases = {40000, 50000, 0};
constexpr unsigned sun_high = 0x5375;  // "Su"
constexpr unsigned sun_low = 0x6E53;   // "nS"
constexpr unsigned end_of_map = 0xFFFF;
/// A device has a dozen models; beyond this it is no map.
constexpr int most_models = 64;
/// All maps were looked for in vain: a device that is switched on later is found then.
constexpr Duration look_again_after{10'000'000};
constexpr std::size_t buffer_limit = 2 * modbus::longest_tcp_frame;
constexpr int holding_registers = 3;

bool is_meter_block(std::span<const std::byte> data) {
  if (data.size() < 4) return false;
  const unsigned model = register_at(data, 0);
  return is_meter(model) && data.size() >= 2 * std::size_t{block_length(model)};
}

}  // namespace

Meter::Meter(std::vector<ReadSpec> reads, const SunSpecSettings& settings, const LineSettings& line, Duration interval)
    : reads_(std::move(reads)), settings_(settings), character_time_(line.character_time()), round_(1, 0, interval) {}

void Meter::reset(Duration now) {
  round_.abandon(now);
  look_anew(now + settings_.timeout);  // what comes at first is an answer to somebody else
}

void Meter::look_anew(Duration at) {
  step_ = Step::find_map;
  base_ = 0;
  tries_ = 0;
  waiting_ = false;
  buffer_.clear();
  next_ask_ = at;
}

modbus::Request Meter::request() const {
  switch (step_) {
    case Step::find_map:
      return {settings_.unit, holding_registers, bases[base_], 2};
    case Step::walk:
      return {settings_.unit, holding_registers, at_, 2};
    case Step::read:
      break;
  }
  return {settings_.unit, holding_registers, at_, block_length(model_)};
}

void Meter::tick(Duration now, Output& out) {
  if (now < *next_tick()) return;
  if (waiting_) return on_silence(now, out);
  if (step_ == Step::read) round_.begin(now);
  ask(now, out);
}

void Meter::ask(Duration now, Output& out) {
  buffer_.clear();
  ++tries_;
  waiting_ = true;
  const modbus::Request asked = request();
  const auto append = [&](const auto& frame) { out.send.insert(out.send.end(), frame.begin(), frame.end()); };
  if (tcp_) {
    append(modbus::tcp_request_frame(asked, ++transaction_));
  } else {
    append(modbus::request_frame(asked));
  }
  const auto characters = static_cast<std::int64_t>(modbus::request_length + asked.answer_length());
  deadline_ = now + settings_.timeout + character_time_ * characters;
}

void Meter::on_silence(Duration now, Output& out) {
  if (step_ == Step::find_map && tries_ > settings_.retries) return next_base(now, out);
  if (tries_ <= settings_.retries) return ask(now, out);
  out.faults.push_back(no_answer(fed_, request().from_whom(), tries_));
  if (step_ == Step::read) return end_round(now, out);
  look_anew(now + look_again_after);
}

/// The map is not here: the next place, then the other kind of frames, then a pause.
void Meter::next_base(Duration now, Output& out) {
  tries_ = 0;
  if (++base_ < bases.size()) return ask(now, out);
  base_ = 0;
  tcp_ = !tcp_;
  if (tcp_) return ask(now, out);
  out.faults.push_back(make_fault(FaultKind::timeout, fed_,
                                  "no SunSpec map at registers 40000, 50000 and 0 of unit " +
                                      std::to_string(settings_.unit) + ", neither in serial nor in TCP frames"));
  look_anew(now + look_again_after);
}

void Meter::end_round(Duration now, Output& out) {
  waiting_ = false;
  tries_ = 0;
  round_.end(now, out);
  next_ask_ = *round_.next_slot();
}

void Meter::feed(std::span<const std::byte> bytes, Duration now, Output& out) {
  for (const std::byte byte : bytes) {
    if (buffer_.size() == buffer_limit) buffer_.erase(buffer_.begin());
    buffer_.push_back(byte);
    ++fed_;
    if (waiting_ && take_frame(now, out)) buffer_.clear();
  }
}

/// The last bytes as a frame, of the kind that is spoken for now.
std::optional<modbus::Frame> Meter::frame_of_last(std::size_t length) const {
  if (buffer_.size() < length) return std::nullopt;
  const auto last = std::span(buffer_).last(length);
  std::optional<modbus::Frame> frame;
  if (!tcp_) {
    frame = modbus::frame_at(last, true).frame;
  } else if (const auto found = modbus::tcp_frame_at(last).frame; found && found->transaction == transaction_) {
    frame = *found;
  }
  return frame && frame->length == length ? frame : std::nullopt;
}

/// Whether the bytes so far end in the awaited answer, or in its refusal.
bool Meter::take_frame(Duration now, Output& out) {
  const modbus::Request asked = request();
  const std::size_t header = tcp_ ? modbus::tcp_header + 2 : 5;  // of an answer, its check counted
  const std::size_t refusal = tcp_ ? modbus::tcp_header + 2 : modbus::exception_length;
  for (const std::size_t length : {asked.data_length() + header, refusal}) {
    const auto frame = frame_of_last(length);
    if (!frame || frame->unit != asked.unit || frame->function != asked.function) continue;
    const std::uint64_t at_byte = fed_ - length;
    if (frame->kind == modbus::FrameKind::exception) {
      on_refusal(frame->code, at_byte, now, out);
      return true;
    }
    if (frame->kind != modbus::FrameKind::answer || frame->data.size() != asked.data_length()) continue;
    const std::vector<std::byte> data(frame->data.begin(), frame->data.end());  // asking on empties the buffer
    on_answer(data, at_byte, now, out);
    return true;
  }
  return false;
}

void Meter::on_refusal(int code, std::uint64_t at_byte, Duration now, Output& out) {
  if (step_ == Step::find_map) return next_base(now, out);  // no map there
  out.faults.push_back(
      make_fault(FaultKind::exception, at_byte, modbus::refusal_text(settings_.unit, request().text(), code)));
  if (step_ == Step::read) return end_round(now, out);
  look_anew(now + look_again_after);
}

void Meter::on_answer(std::span<const std::byte> data, std::uint64_t at_byte, Duration now, Output& out) {
  tries_ = 0;
  const unsigned first = register_at(data, 0);
  if (step_ == Step::find_map) {
    if (first != sun_high || register_at(data, 1) != sun_low) return next_base(now, out);
    step_ = Step::walk;
    at_ = static_cast<std::uint16_t>(bases[base_] + 2);
    walked_ = 0;
    return ask(now, out);
  }
  if (step_ == Step::walk) {
    const unsigned length = register_at(data, 1);
    if (is_meter(first) && length + 2 >= block_length(first)) {
      model_ = first;
      step_ = Step::read;
      round_.begin(now);
      return ask(now, out);
    }
    const bool over = first == end_of_map || ++walked_ > most_models || at_ + length + 2 > 0xFFFFU - 2;
    if (over) {
      out.faults.push_back(make_fault(FaultKind::mismatch, at_byte,
                                      "the SunSpec map of unit " + std::to_string(settings_.unit) +
                                          " has no meter model (201 to 204, 211 to 214)"));
      return look_anew(now + look_again_after);
    }
    at_ = static_cast<std::uint16_t>(at_ + length + 2);
    return ask(now, out);
  }
  if (first != model_) {
    out.faults.push_back(make_fault(FaultKind::mismatch, at_byte,
                                    "register " + std::to_string(at_) + " holds " + std::to_string(first) +
                                        " and no more the meter model " + std::to_string(model_) +
                                        "; looking for the map again"));
    return look_anew(now);
  }
  take_block(data, reads_, at_byte, round_.values(), out.faults);
  round_.answered(at_byte, now);
  end_round(now, out);
}

void CaptureBlocks::feed(std::span<const std::byte> bytes, Output& out) {
  feed_in_pieces(bytes, buffer_, [&] { parse(false, out); });
}

void CaptureBlocks::finish(Output& out) {
  parse(true, out);
}

void CaptureBlocks::parse(bool at_end, Output& out) {
  const std::span<const std::byte> all(buffer_);
  std::size_t at = 0;
  while (at < all.size()) {
    const auto rest = all.subspan(at);
    const auto serial = modbus::frame_at(rest, at_end);
    // Frames of TCP have no check: among the zeros of a damaged block there is one everywhere.
    is_serial_ = is_serial_ || serial.frame;
    const auto tcp = is_serial_ ? modbus::TcpFrameSearch() : modbus::tcp_frame_at(rest);
    if (!serial.frame && !tcp.frame) {
      if ((serial.needs_more || tcp.needs_more) && !at_end && rest.size() < modbus::longest_tcp_frame) break;
      if (!noise_from_) noise_from_ = buffer_at_ + at;
      ++at;
      continue;
    }
    end_noise(buffer_at_ + at, out);
    const modbus::Frame& frame = serial.frame ? *serial.frame : *tcp.frame;
    if (frame.unit == unit_ && is_meter_block(frame.data)) {
      Values values;
      take_block(frame.data, reads_, buffer_at_ + at, values, out.faults);
      if (!values.empty()) out.readings.push_back(Measurement{values, buffer_at_ + at, std::nullopt});
    }
    at += frame.length;
  }
  buffer_.erase(buffer_.begin(), buffer_.begin() + static_cast<std::ptrdiff_t>(at));
  buffer_at_ += at;
  if (at_end) end_noise(buffer_at_, out);
}

void CaptureBlocks::end_noise(std::uint64_t at, Output& out) {
  if (!noise_from_) return;
  out.faults.push_back(make_fault(FaultKind::malformed, *noise_from_,
                                  std::to_string(at - *noise_from_) + " bytes that are no Modbus frame"));
  noise_from_.reset();
}

}  // namespace nightwatt::drivers::sunspec
