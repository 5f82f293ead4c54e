#include "modbus/capture.hpp"

#include <algorithm>
#include <string>
#include <utility>

#include "fault_text.hpp"
#include "pieces.hpp"

namespace nightwatt::drivers::modbus {

namespace {

/// Noise is reported in pieces of this size, so that a capture of nothing else needs no more memory.
constexpr std::size_t stray_limit = 1024;

}  // namespace

Capture::Capture(Plan plan) : plan_(std::move(plan)) {}

void Capture::feed(std::span<const std::byte> bytes, Output& out) {
  feed_in_pieces(bytes, buffer_, [&] { parse(false, out); });
}

void Capture::finish(Output& out) {
  parse(true, out);
}

void Capture::parse(bool at_end, Output& out) {
  const std::span<const std::byte> all(buffer_);
  std::size_t stray_begin = 0;
  std::size_t at = scanned_;
  while (at < all.size()) {
    const FrameSearch found = frame_at(all.subspan(at), at_end);
    if (found.frame) {
      end_stray(stray_begin, at, out.faults);
      on_frame(*found.frame, buffer_at_ + at, out);
      at += found.frame->length;
      stray_begin = at;
      continue;
    }
    if (found.needs_more && !at_end) break;
    ++at;
    if (at - stray_begin >= stray_limit) {
      end_stray(stray_begin, at - longest_frame, out.faults);
      stray_begin = at - longest_frame;
    }
  }
  if (at_end) {
    end_stray(stray_begin, at, out.faults);
    stray_begin = at;
  }
  scanned_ = at - stray_begin;
  buffer_at_ += stray_begin;
  buffer_.erase(buffer_.begin(), buffer_.begin() + static_cast<std::ptrdiff_t>(stray_begin));
}

void Capture::end_stray(std::size_t begin, std::size_t end, std::vector<Fault>& faults) {
  if (begin == end) return;
  const std::size_t before = faults.size();
  report_stray(std::span<const std::byte>(buffer_).subspan(begin, end - begin), buffer_at_ + begin, plan_, faults);
  if (faults.size() == before) return;
  // Mere noise beside a request leaves no doubt which answer it waits for.
  const bool answer_lost =
      std::any_of(faults.begin() + static_cast<std::ptrdiff_t>(before), faults.end(), [](const Fault& fault) {
        return fault.kind != FaultKind::malformed || fault.message.starts_with(cut_answer_text);
      });
  if (answer_lost || !has_requests_) give_up();
}

void Capture::give_up() {
  pending_.reset();
  have_ = 0;
  values_ = {};
}

void Capture::on_frame(const Frame& frame, std::uint64_t at_byte, Output& out) {
  switch (frame.kind) {
    case FrameKind::request:
      on_request(frame, at_byte, out);
      break;
    case FrameKind::answer:
      on_answer(frame, at_byte, out);
      break;
    case FrameKind::exception:
      on_exception(frame, at_byte, out);
      break;
    case FrameKind::other:
      break;
  }
}

void Capture::on_request(const Frame& frame, std::uint64_t at_byte, Output& out) {
  if (frame.unit != plan_.unit()) return;
  has_requests_ = true;
  // The same request again at once is an echo or a second try; without times nobody can tell.
  if (pending_ == frame.request) return;
  if (pending_) {
    out.faults.push_back(make_fault(FaultKind::timeout, pending_at_, "no answer to " + pending_->text()));
    give_up();
  }
  pending_ = frame.request;
  pending_at_ = at_byte;
}

const Request* Capture::planned_for(const Frame& answer) const {
  const Request* fits = nullptr;
  for (const Request& request : plan_.requests()) {
    if (request.function != answer.function || request.data_length() != answer.data.size()) continue;
    if ((have_ & plan_.reads_in(request)) == 0) return &request;
    if (fits == nullptr) fits = &request;  // all of this length were answered: a new round, or doubled
  }
  return fits;
}

void Capture::on_answer(const Frame& frame, std::uint64_t at_byte, Output& out) {
  const auto mismatch = [&](std::string text) {
    out.faults.push_back(make_fault(FaultKind::mismatch, at_byte, std::move(text)));
  };
  if (frame.unit != plan_.unit())
    return mismatch("an answer of unit " + std::to_string(frame.unit) + ", the profile says unit " +
                    std::to_string(plan_.unit()));
  if (has_requests_) {
    const std::optional<Request> asked = std::exchange(pending_, std::nullopt);
    if (!asked) return mismatch("an answer that nothing in the capture asked for: late or doubled");
    if (asked->function != frame.function || asked->data_length() != frame.data.size()) {
      give_up();
      return mismatch("an answer of " + std::to_string(frame.data.size()) + " data bytes to function " +
                      std::to_string(frame.function) + " where " + asked->text() + " was asked");
    }
    return collect(*asked, frame, at_byte, out);
  }
  const Request* planned = planned_for(frame);
  if (planned == nullptr)
    return mismatch("an answer of " + std::to_string(frame.data.size()) + " data bytes to function " +
                    std::to_string(frame.function) + ", which the profile does not ask for");
  collect(*planned, frame, at_byte, out);
}

void Capture::collect(const Request& request, const Frame& frame, std::uint64_t at_byte, Output& out) {
  const Plan::ReadMask got = plan_.reads_in(request);
  if (got == 0) return;  // another master's business
  const bool starts = (got & plan_.reads_in(plan_.requests().front())) != 0;
  if (starts) {
    have_ = 0;
    values_ = {};
    reading_at_ = at_byte;
  } else if (have_ == 0 || (have_ & got) != 0) {
    return;  // its round was given up, or it is doubled
  }
  plan_.take(request, frame.data, at_byte, values_, out.faults);
  have_ |= got;
  if (have_ != plan_.all_reads()) return;
  if (!values_.empty()) out.readings.push_back(Measurement{values_, reading_at_, std::nullopt});
  have_ = 0;
  values_ = {};
}

void Capture::on_exception(const Frame& frame, std::uint64_t at_byte, Output& out) {
  const bool ours = frame.unit == plan_.unit();
  const std::string what = ours && pending_ ? pending_->text() : "function " + std::to_string(frame.function);
  out.faults.push_back(make_fault(ours ? FaultKind::exception : FaultKind::mismatch, at_byte,
                                  refusal_text(frame.unit, what, frame.code)));
  if (ours) give_up();
}

}  // namespace nightwatt::drivers::modbus
