#include "telegram.hpp"

#include <bit>
#include <charconv>

#include "crc16.hpp"
#include "fault_text.hpp"

namespace nightwatt::drivers {

namespace {

constexpr std::size_t check_digits = 4;
/// Stray bytes between telegrams are told again after so many.
constexpr std::uint64_t strays_told_every = 4096;

bool is_hex(char c) {
  return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'F') || (c >= 'a' && c <= 'f');
}
bool ends_line(char c) {
  return c == '\r' || c == '\n';
}

}  // namespace

void TelegramFramer::forget() {
  state_ = State::lost;
  text_.clear();
  check_.clear();
}

std::optional<Telegram> TelegramFramer::push(unsigned byte, std::vector<Fault>& faults) {
  const char c = static_cast<char>(byte & 0x7FU);
  if (c == '/') {
    begin(faults);
  } else if (state_ == State::between) {
    note_between(c, faults);
  }
  std::optional<Telegram> telegram;
  if (state_ == State::inside || state_ == State::check) {
    eighth_bit_ = eighth_bit_ || (byte & 0x80U) != 0;
    odd_ = odd_ || std::popcount(byte) % 2 != 0;
    telegram = state_ == State::inside ? push_inside(c, faults) : push_check(c, faults);
  }
  ++fed_;
  return telegram;
}

void TelegramFramer::begin(std::vector<Fault>& faults) {
  if (state_ == State::inside || state_ == State::check)
    drop(FaultKind::malformed, "a telegram without its end: another begins", faults);
  state_ = State::inside;
  text_.clear();
  check_.clear();
  eighth_bit_ = odd_ = false;
  at_byte_ = fed_;
}

void TelegramFramer::drop(FaultKind kind, std::string what, std::vector<Fault>& faults) {
  faults.push_back(make_fault(kind, at_byte_, std::move(what)));
  state_ = State::lost;
}

/// Line ends between telegrams are usual, NUL and DEL are what a line makes when it wakes up.
void TelegramFramer::note_between(char c, std::vector<Fault>& faults) {
  constexpr char del = 0x7F;
  if (ends_line(c) || c == '\0' || c == del) return;
  if (strays_++ % strays_told_every == 0)
    faults.push_back(make_fault(FaultKind::malformed, fed_, "bytes that belong to no telegram"));
}

std::optional<Telegram> TelegramFramer::push_inside(char c, std::vector<Fault>& faults) {
  if (c == '!' && !text_.empty() && ends_line(text_.back())) {
    text_ += c;
    state_ = State::check;
    return std::nullopt;
  }
  if ((c < ' ' && !ends_line(c)) || c > '~' || c == '!') {
    drop(FaultKind::malformed, "a telegram with a character that none has: " + quoted({&c, 1}), faults);
    return std::nullopt;
  }
  text_ += c;
  if (text_.size() >= limit)
    drop(FaultKind::malformed, "a telegram of more than " + std::to_string(limit) + " bytes", faults);
  return std::nullopt;
}

std::optional<Telegram> TelegramFramer::push_check(char c, std::vector<Fault>& faults) {
  if (ends_line(c)) return complete(faults);
  if (!is_hex(c)) {
    drop(FaultKind::malformed, "a telegram whose check is no hexadecimal number", faults);
    return std::nullopt;
  }
  check_ += c;
  return check_.size() == check_digits ? complete(faults) : std::nullopt;
}

std::optional<Telegram> TelegramFramer::end(std::vector<Fault>& faults) {
  if (state_ == State::check) return complete(faults);
  if (state_ == State::inside) drop(FaultKind::malformed, "the last telegram is cut", faults);
  return std::nullopt;
}

std::optional<Telegram> TelegramFramer::complete(std::vector<Fault>& faults) {
  if (eighth_bit_ && odd_) {
    drop(FaultKind::checksum, "a telegram with a byte whose parity is wrong", faults);
    return std::nullopt;
  }
  if (!check_.empty()) {
    unsigned sent = 0;
    std::from_chars(check_.data(), check_.data() + check_.size(), sent, 16);
    const std::uint16_t made = crc16_arc(std::as_bytes(std::span(text_.data(), text_.size())));
    if (made != sent) {
      drop(FaultKind::checksum, "the check of a telegram is wrong: " + quoted(check_), faults);
      return std::nullopt;
    }
  }
  state_ = State::between;
  strays_ = 0;
  const std::string_view all(text_);
  const std::size_t line = all.find_first_of("\r\n");
  Telegram telegram;
  telegram.ident = all.substr(1, line - 1);
  telegram.body = all.substr(line, all.size() - 1 - line);
  telegram.at_byte = at_byte_;
  telegram.checked = !check_.empty();
  telegram.parity_taken = eighth_bit_;
  return telegram;
}

}  // namespace nightwatt::drivers
