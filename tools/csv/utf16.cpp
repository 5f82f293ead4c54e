#include "csv/utf16.hpp"

namespace nightwatt::csv {
namespace {

constexpr char32_t replacement = 0xFFFD;  // for halves of pairs that stand alone

}  // namespace

void Utf16::append(char32_t c) {
  const auto put = [&](char32_t byte) { out_ += static_cast<char>(byte); };
  if (c < 0x80) {
    put(c);
  } else if (c < 0x800) {
    put(0xC0 | (c >> 6));
    put(0x80 | (c & 0x3F));
  } else if (c < 0x10000) {
    put(0xE0 | (c >> 12));
    put(0x80 | ((c >> 6) & 0x3F));
    put(0x80 | (c & 0x3F));
  } else {
    put(0xF0 | (c >> 18));
    put(0x80 | ((c >> 12) & 0x3F));
    put(0x80 | ((c >> 6) & 0x3F));
    put(0x80 | (c & 0x3F));
  }
}

void Utf16::take_unit(unsigned unit) {
  const bool low = unit >= 0xDC00 && unit < 0xE000;
  if (high_ != 0) {
    append(low ? 0x10000 + ((high_ - 0xD800) << 10) + (unit - 0xDC00) : replacement);
    high_ = 0;
    if (low) return;
  }
  if (unit >= 0xD800 && unit < 0xDC00)
    high_ = unit;
  else
    append(low ? replacement : static_cast<char32_t>(unit));
}

std::string_view Utf16::feed(std::string_view bytes) {
  if (state_ == State::other) return bytes;
  pending_ += bytes;
  out_.clear();
  if (state_ == State::unknown) {
    if (pending_.size() < 2) return {};
    state_ = !begins(pending_) ? State::other : pending_[0] == '\xFF' ? State::little : State::big;
    if (state_ == State::other) return finish();
    pending_.erase(0, 2);
  }
  const auto byte = [&](std::size_t at) { return static_cast<unsigned>(static_cast<unsigned char>(pending_[at])); };
  std::size_t at = 0;
  for (; at + 1 < pending_.size(); at += 2)
    take_unit(state_ == State::little ? byte(at) | byte(at + 1) << 8 : byte(at) << 8 | byte(at + 1));
  pending_.erase(0, at);
  return out_;
}

std::string_view Utf16::finish() {
  if (state_ == State::little || state_ == State::big) return {};
  out_ = pending_;
  pending_.clear();
  return out_;
}

}  // namespace nightwatt::csv
