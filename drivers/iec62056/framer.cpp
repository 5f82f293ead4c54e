#include "iec62056/framer.hpp"

#include <algorithm>
#include <bit>

#include "fault_text.hpp"

namespace nightwatt::drivers::iec62056 {

namespace {

constexpr char soh = 0x01;
constexpr char stx = 0x02;
constexpr char etx = 0x03;
constexpr char ack = 0x06;
constexpr char nak = 0x15;
constexpr char del = 0x7F;
/// An identification has 5 characters and up to 16 more (6.3.2), a request an address of up to 32 (6.3.1).
constexpr std::size_t line_limit = 48;
/// A value has up to 128 characters (6.5).
constexpr std::size_t command_limit = 192;
/// Stray bytes are told again after so many.
constexpr std::uint64_t strays_told_every = 4096;

bool ends_line(char c) {
  return c == '\r' || c == '\n';
}
bool is_text(char c) {
  return c >= ' ' && c <= '~';
}
/// Three letters of the maker, a character of the speed, and a name without brackets (6.3.2).
bool is_ident(std::string_view text) {
  const auto is_letter = [](char c) { return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z'); };
  return text.size() >= 4 && std::all_of(text.begin(), text.begin() + 3, is_letter) &&
         text.find_first_of("()") == std::string_view::npos;
}

}  // namespace

void Framer::forget() {
  state_ = State::between;
  text_.clear();
  any_frame_ = false;
}

void Framer::await_data() {
  state_ = State::after_ident;
  text_.clear();
}

void Framer::begin(State state) {
  state_ = state;
  text_.clear();
  sum_ = 0;
  eighth_bit_ = odd_ = false;
  at_byte_ = fed_;
}

std::string_view Framer::ended_line() const {
  if ((state_ != State::block && state_ != State::unframed) || text_.size() < 2 || !ends_line(text_.back())) return {};
  const std::string_view text = std::string_view(text_).substr(0, text_.size() - 1);
  const std::size_t before = text.find_last_of("\r\n");
  return before == std::string_view::npos ? text : text.substr(before + 1);
}

Frame Framer::whole(FrameKind kind, std::string_view text) const {
  return Frame{kind, text, at_byte_, eighth_bit_, {}};
}

Frame Framer::damaged(FaultKind kind, std::string what) {
  state_ = State::between;
  any_frame_ = false;  // what follows belongs to the same damage
  Frame frame;
  frame.at_byte = at_byte_;
  frame.fault = make_fault(kind, at_byte_, std::move(what));
  return frame;
}

std::optional<Frame> Framer::push(unsigned byte, bool& again) {
  const char c = static_cast<char>(byte & 0x7FU);
  const bool begun = state_ == State::between || state_ == State::after_ident;
  std::optional<Frame> frame;
  if (!begun) {
    eighth_bit_ = eighth_bit_ || (byte & 0x80U) != 0;
    odd_ = odd_ || std::popcount(byte) % 2 != 0;
  }
  switch (state_) {
    case State::between:
    case State::after_ident:
      frame = push_between(c, again);
      break;
    case State::line:
      frame = push_line(c, again);
      break;
    case State::skip_line:
      if (c == '\n') state_ = State::after_ident;
      if (c == '/' || c == stx) again = true;
      if (again) state_ = State::after_ident;
      break;
    case State::command:
      frame = push_command(c, again);
      break;
    case State::block:
      frame = push_block(c, again);
      break;
    case State::check:
      frame = push_check(c);
      break;
    case State::unframed:
      frame = push_unframed(c, again);
      break;
    case State::unframed_end:
      frame = push_unframed_end(c, again);
      break;
  }
  if (begun && !again && state_ != State::between && state_ != State::after_ident) {
    eighth_bit_ = (byte & 0x80U) != 0;
    odd_ = std::popcount(byte) % 2 != 0;
  }
  return frame;
}

std::optional<Frame> Framer::push_between(char c, bool& again) {
  const bool after_ident = state_ == State::after_ident;
  if (c == '/') {
    begin(State::line);
  } else if (c == stx) {
    begin(State::block);
  } else if (c == soh) {
    begin(State::command);
  } else if (c == ack) {
    begin(State::skip_line);
  } else if (c == nak || c == del || c == '\0' || ends_line(c)) {
    return std::nullopt;
  } else if (after_ident && is_text(c)) {
    begin(State::unframed);
    text_ += c;
  } else {
    return note_stray();
  }
  again = false;
  return std::nullopt;
}

/// What comes before the first frame may be the end of one.
std::optional<Frame> Framer::note_stray() {
  if (!any_frame_ || strays_++ % strays_told_every != 0) return std::nullopt;
  Frame frame;
  frame.at_byte = fed_;
  frame.fault = make_fault(FaultKind::malformed, fed_, "bytes that belong to no frame");
  return frame;
}

std::optional<Frame> Framer::push_line(char c, bool& again) {
  if (ends_line(c)) {
    const bool request = text_.starts_with('?');
    if (!request && !is_ident(text_)) return damaged(FaultKind::malformed, "no identification: " + quoted(text_));
    state_ = request ? State::between : State::after_ident;
    any_frame_ = true;
    strays_ = 0;
    return whole(request ? FrameKind::request : FrameKind::ident, text_);
  }
  if (c == '/' || !is_text(c) || text_.size() >= line_limit) {
    again = c == '/' || c == stx;
    state_ = State::between;
    if (!any_frame_) return std::nullopt;
    return damaged(FaultKind::malformed, "an identification that breaks off: " + quoted(text_));
  }
  text_ += c;
  return std::nullopt;
}

/// Somebody programs the meter, or takes leave: the check is that of a block, with the STX in it.
std::optional<Frame> Framer::push_command(char c, bool& again) {
  if (c == '/') {
    again = true;
    return damaged(FaultKind::malformed, "a command without its end: another frame begins");
  }
  if (!text_.empty() && text_.back() == etx) {
    if (static_cast<unsigned char>(c) != sum_) return damaged(FaultKind::checksum, "the check of a command is wrong");
    state_ = State::between;
    return whole(FrameKind::command, std::string_view(text_).substr(0, text_.size() - 1));
  }
  sum_ ^= static_cast<unsigned char>(c);
  text_ += c;
  if (text_.size() > command_limit) return damaged(FaultKind::malformed, "a command without its end");
  return std::nullopt;
}

std::optional<Frame> Framer::push_block(char c, bool& again) {
  if (c == stx || c == '/') {
    again = true;
    return damaged(FaultKind::malformed, "a data block without its end: another begins");
  }
  if (!is_text(c) && !ends_line(c) && c != etx)
    return damaged(FaultKind::malformed, "a data block with a character that none has: " + quoted({&c, 1}));
  sum_ ^= static_cast<unsigned char>(c);
  if (c == etx) {
    state_ = State::check;
    return std::nullopt;
  }
  text_ += c;
  if (text_.size() >= limit)
    return damaged(FaultKind::malformed, "a data block of more than " + std::to_string(limit) + " bytes");
  return std::nullopt;
}

/// ISO 1155: the exclusive or of all behind STX, ETX included.
std::optional<Frame> Framer::push_check(char c) {
  if (eighth_bit_ && odd_) return damaged(FaultKind::checksum, "a data block with a byte whose parity is wrong");
  if (static_cast<unsigned char>(c) != sum_) return damaged(FaultKind::checksum, "the check of a data block is wrong");
  state_ = State::between;
  any_frame_ = true;
  strays_ = 0;
  std::string_view lines(text_);
  // The line of the `!` ends the lines.
  const std::size_t end = lines.rfind('!');
  if (end != std::string_view::npos) lines = lines.substr(0, end);
  return whole(FrameKind::block, lines);
}

std::optional<Frame> Framer::push_unframed(char c, bool& again) {
  if (c == '!' && ends_line(text_.back())) {
    state_ = State::unframed_end;
    return std::nullopt;
  }
  if (c == stx || c == '/') {
    again = true;
    return damaged(FaultKind::malformed, "a read-out without its end: another frame begins");
  }
  if (c == '!' || (!is_text(c) && !ends_line(c)))
    return damaged(FaultKind::malformed, "a read-out with a character that none has: " + quoted({&c, 1}));
  text_ += c;
  if (text_.size() >= limit)
    return damaged(FaultKind::malformed, "a read-out of more than " + std::to_string(limit) + " bytes");
  return std::nullopt;
}

std::optional<Frame> Framer::push_unframed_end(char c, bool& again) {
  if (!ends_line(c)) {
    again = c == stx || c == '/';
    return damaged(FaultKind::malformed, "a read-out whose end is damaged");
  }
  if (eighth_bit_ && odd_) return damaged(FaultKind::checksum, "a read-out with a byte whose parity is wrong");
  state_ = State::between;
  any_frame_ = true;
  strays_ = 0;
  return whole(FrameKind::unframed, text_);
}

std::optional<Frame> Framer::end() {
  if (state_ == State::block || state_ == State::check || state_ == State::unframed || state_ == State::unframed_end)
    return damaged(FaultKind::malformed, "the last read-out is cut");
  return std::nullopt;
}

}  // namespace nightwatt::drivers::iec62056
