// One's own bytes coming back: an optical head, or a two-wire line, hears what it says.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace nightwatt::drivers::iec62056 {

/// Takes the echo off what comes. An answer may begin as the echo would, so bytes are held back until they differ.
class EchoFilter {
 public:
  /// These were sent; what of an earlier echo has not come will not.
  void sent(std::span<const std::byte> bytes) {
    awaited_.assign(bytes.begin(), bytes.end());
    matched_ = 0;
  }
  void forget() { sent({}); }

  /// Calls `pass(std::byte)` for what is no echo.
  template <class Pass>
  void feed(std::byte byte, Pass&& pass) {
    constexpr std::byte seven_bits{0x7F};
    if (matched_ < awaited_.size() && (byte & seven_bits) == awaited_[matched_]) {
      held_.push_back(byte);
      if (++matched_ == awaited_.size()) forget_held();
      return;
    }
    // The first byte that differs: there is no echo, and never was.
    matched_ = awaited_.size();
    const std::vector<std::byte> held = std::move(held_);
    forget_held();
    for (const std::byte earlier : held) pass(earlier);
    pass(byte);
  }

 private:
  void forget_held() { held_.clear(); }

  std::vector<std::byte> awaited_;
  std::size_t matched_ = 0;
  std::vector<std::byte> held_;
};

}  // namespace nightwatt::drivers::iec62056
