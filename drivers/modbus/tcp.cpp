#include "modbus/tcp.hpp"

#include <algorithm>
#include <string>

#include "fault_text.hpp"
#include "pieces.hpp"

namespace nightwatt::drivers::modbus {

namespace {

/// Questions of a capture without their answers that are remembered.
constexpr std::size_t question_limit = 64;
/// Noise is told in pieces of this size, so that a stream of nothing else needs no memory.
constexpr std::size_t noise_limit = 1024;

Fault noise_fault(std::uint64_t from, std::size_t count) {
  return make_fault(
      FaultKind::malformed, from,
      std::to_string(count) + (count == 1 ? " byte that is" : " bytes that are") + " no Modbus TCP frame");
}

Fault refusal(const TcpFrame& frame, const std::string& what, std::uint64_t at_byte) {
  return make_fault(FaultKind::exception, at_byte, refusal_text(frame.unit, what, frame.code));
}

/// Takes frames off the front of a buffer; what begins none is skipped and counted.
template <class OnFrame, class OnNoise>
void take_frames(std::vector<std::byte>& buffer, std::uint64_t& buffer_at, OnFrame&& on_frame, OnNoise&& on_noise) {
  std::size_t at = 0;
  while (at < buffer.size()) {
    const TcpFrameSearch found = tcp_frame_at(std::span<const std::byte>(buffer).subspan(at));
    if (found.needs_more) break;
    if (found.frame) {
      on_frame(*found.frame, buffer_at + at);
      at += found.frame->length;
    } else {
      on_noise(buffer_at + at);
      ++at;
    }
  }
  buffer.erase(buffer.begin(), buffer.begin() + static_cast<std::ptrdiff_t>(at));
  buffer_at += at;
}

}  // namespace

TcpPoller::TcpPoller(Plan plan, const ModbusTcpSettings& settings, Duration interval)
    : round_(std::move(plan), interval), timeout_(settings.timeout), retries_(settings.retries) {}

void TcpPoller::reset(Duration now) {
  round_.abandon(now);
  buffer_at_ += buffer_.size();
  buffer_.clear();
  noise_ = 0;
  waiting_ = false;
}

std::optional<Duration> TcpPoller::next_tick() const {
  return waiting_ ? deadline_ : round_.next_slot().value_or(Duration{0});
}

void TcpPoller::tick(Duration now, Output& out) {
  if (now < *next_tick()) return;
  if (!waiting_) {
    round_.begin(now);
    return next_request(now, out);
  }
  if (tries_ <= retries_ && round_.has_time(now)) return send(now, out);
  out.faults.push_back(no_answer(buffer_at_ + buffer_.size(), round_.current().from_whom(), tries_));
  round_.failed();
  next_request(now, out);
}

void TcpPoller::next_request(Duration now, Output& out) {
  tries_ = 0;
  if (round_.goes_on(now)) return send(now, out);
  waiting_ = false;
  round_.end(now, out);
}

void TcpPoller::send(Duration now, Output& out) {
  ++transaction_;
  ++tries_;
  waiting_ = true;
  deadline_ = now + timeout_;
  const auto frame = tcp_request_frame(round_.current(), transaction_);
  out.send.insert(out.send.end(), frame.begin(), frame.end());
}

void TcpPoller::feed(std::span<const std::byte> bytes, Duration now, Output& out) {
  const auto end_noise = [&] {
    if (noise_ > 0) out.faults.push_back(noise_fault(noise_from_, noise_));
    noise_ = 0;
  };
  // A byte at a time, so that what is sent in answer to a frame does not depend on what came with it.
  for (const std::byte byte : bytes) {
    buffer_.push_back(byte);
    take_frames(
        buffer_, buffer_at_,
        [&](const TcpFrame& frame, std::uint64_t at_byte) {
          end_noise();
          on_frame(frame, at_byte, now, out);
        },
        [&](std::uint64_t at_byte) {
          if (noise_ == 0) noise_from_ = at_byte;
          if (++noise_ == noise_limit) end_noise();
        });
  }
}

/// To any try of the question in hand.
bool TcpPoller::is_ours(const TcpFrame& frame) const {
  const auto age = static_cast<std::uint16_t>(transaction_ - frame.transaction);
  return waiting_ && age < tries_ && frame.unit == round_.plan().unit() && frame.function == round_.current().function;
}

void TcpPoller::on_frame(const TcpFrame& frame, std::uint64_t at_byte, Duration now, Output& out) {
  const bool answers = is_ours(frame);
  if (answers && frame.kind == FrameKind::exception) return on_exception(frame, at_byte, now, out);
  if (answers && frame.kind == FrameKind::answer && frame.data.size() == round_.current().data_length()) {
    round_.take(frame.data, at_byte, now, out.faults);
    return next_request(now, out);
  }
  out.faults.push_back(make_fault(FaultKind::mismatch, at_byte,
                                  "a frame of unit " + std::to_string(frame.unit) + ", transaction " +
                                      std::to_string(frame.transaction) +
                                      ", that nobody waits for: late, or to another question"));
}

void TcpPoller::on_exception(const TcpFrame& frame, std::uint64_t at_byte, Duration now, Output& out) {
  out.faults.push_back(refusal(frame, round_.current().text(), at_byte));
  if (refuses_for_now(frame.code) && tries_ <= retries_) return;  // asked again at the deadline
  round_.failed();
  next_request(now, out);
}

void TcpCapture::feed(std::span<const std::byte> bytes, Output& out) {
  feed_in_pieces(bytes, buffer_, [&] {
    take_frames(
        buffer_, buffer_at_,
        [&](const TcpFrame& frame, std::uint64_t at_byte) {
          end_noise(out);
          on_frame(frame, at_byte, out);
        },
        [&](std::uint64_t at_byte) {
          if (noise_ == 0) noise_from_ = at_byte;
          if (++noise_ == noise_limit) end_noise(out);
        });
  });
}

void TcpCapture::finish(Output& out) {
  end_noise(out);
  end_round(out);
  if (!buffer_.empty())
    out.faults.push_back(make_fault(FaultKind::malformed, buffer_at_,
                                    "a frame cut short: " + std::to_string(buffer_.size()) + " bytes"));
}

void TcpCapture::end_noise(Output& out) {
  if (noise_ > 0) out.faults.push_back(noise_fault(noise_from_, noise_));
  noise_ = 0;
}

void TcpCapture::on_frame(const TcpFrame& frame, std::uint64_t at_byte, Output& out) {
  if (frame.unit != plan_.unit()) return;
  if (frame.kind == FrameKind::request) {
    has_questions_ = true;
    if (questions_.size() == question_limit) questions_.erase(questions_.begin());
    questions_.push_back({frame.transaction, frame.request});
    return;
  }
  if (frame.kind != FrameKind::answer && frame.kind != FrameKind::exception) return;
  const std::optional<Request> request = asked(frame);
  if (frame.kind == FrameKind::exception) {
    const std::string what = request ? request->text() : "function " + std::to_string(frame.function);
    out.faults.push_back(refusal(frame, what, at_byte));
    return;
  }
  if (request && request->function == frame.function && request->data_length() == frame.data.size())
    return collect(*request, frame, at_byte, out);
  out.faults.push_back(make_fault(
      FaultKind::mismatch, at_byte,
      "an answer of " + std::to_string(frame.data.size()) + " data bytes to function " +
          std::to_string(frame.function) +
          (has_questions_ ? ", which nothing in the capture asked for" : ", which the profile does not ask for")));
}

std::optional<Request> TcpCapture::asked(const TcpFrame& answer) {
  const auto question = std::find_if(questions_.begin(), questions_.end(),
                                     [&](const Question& q) { return q.transaction == answer.transaction; });
  if (question != questions_.end()) {
    const Request request = question->request;
    questions_.erase(question);
    return request;
  }
  if (has_questions_) return std::nullopt;
  // Answers alone: by function and length, and of equal ones in the order of the plan.
  std::optional<Request> fits;
  for (const Request& request : plan_.requests()) {
    if (request.function != answer.function || request.data_length() != answer.data.size()) continue;
    if ((have_ & plan_.reads_in(request)) == 0) return request;
    if (!fits) fits = request;
  }
  return fits;
}

void TcpCapture::collect(const Request& request, const TcpFrame& frame, std::uint64_t at_byte, Output& out) {
  const Plan::ReadMask got = plan_.reads_in(request);
  if (got == 0) return;  // another client's business
  if ((have_ & got) != 0) end_round(out);
  if (have_ == 0) reading_at_ = at_byte;
  plan_.take(request, frame.data, at_byte, values_, out.faults);
  have_ |= got;
  if (have_ == plan_.all_reads()) end_round(out);
}

void TcpCapture::end_round(Output& out) {
  const auto main = plan_.request_with(Quantity::power);
  const bool has_main = !main || (have_ & plan_.reads_in(plan_.requests()[*main])) != 0;
  if (have_ != 0 && has_main && !values_.empty())
    out.readings.push_back(Measurement{values_, reading_at_, std::nullopt});
  have_ = 0;
  values_ = {};
}

}  // namespace nightwatt::drivers::modbus
