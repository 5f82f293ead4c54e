// Telegrams of meters that speak by themselves: `/ident`, data lines, `!`, perhaps a check. DSMR P1, and mode D of IEC
// 62056-21.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/decoder.hpp"

namespace nightwatt::drivers {

/// A telegram that came whole: its form is right, its check too where it has one.
struct Telegram {
  std::string_view ident;  ///< without the slash; valid until the next call
  std::string_view body;   ///< the data lines with their ends
  std::uint64_t at_byte = 0;
  bool checked = false;       ///< it has a check, which is right
  bool parity_taken = false;  ///< each byte had an eighth bit, which is the parity of the others
};

/// Cuts a stream of bytes into telegrams, with bounded memory; the same for any chunks. The slash stands nowhere else
/// (IEC 62056-21, 6.3.2), so after anything it begins a telegram.
///
/// A line of seven bits and even parity that is read as eight gives the parity as the eighth bit: it is taken off where
/// any byte has it, and then every byte's must be right.
class TelegramFramer {
 public:
  /// The longest: a text of 1024 characters takes 2048, ten power failures 300, a dozen months with their peaks 1000.
  static constexpr std::size_t limit = 8192;

  /// Calls `on_telegram(const Telegram&)` for each that is good; the others are faults.
  template <class OnTelegram>
  void feed(std::span<const std::byte> bytes, std::vector<Fault>& faults, OnTelegram&& on_telegram) {
    for (const std::byte byte : bytes)
      if (const auto telegram = push(std::to_integer<unsigned>(byte), faults)) on_telegram(*telegram);
  }
  /// The end of the stream ends a telegram whose `!` was there.
  template <class OnTelegram>
  void finish(std::vector<Fault>& faults, OnTelegram&& on_telegram) {
    if (const auto telegram = end(faults)) on_telegram(*telegram);
  }
  /// What comes next may be the second half of a telegram.
  void forget();

 private:
  enum class State : std::uint8_t {
    lost,     ///< until the next slash, without a word: after the opening, after a telegram that broke
    between,  ///< after a telegram
    inside,
    check,  ///< behind the `!`
  };
  std::optional<Telegram> push(unsigned byte, std::vector<Fault>& faults);
  std::optional<Telegram> push_inside(char c, std::vector<Fault>& faults);
  std::optional<Telegram> push_check(char c, std::vector<Fault>& faults);
  std::optional<Telegram> end(std::vector<Fault>& faults);
  std::optional<Telegram> complete(std::vector<Fault>& faults);
  void begin(std::vector<Fault>& faults);
  void drop(FaultKind kind, std::string what, std::vector<Fault>& faults);
  void note_between(char c, std::vector<Fault>& faults);

  State state_ = State::lost;
  std::string text_;         ///< from the slash to the `!`
  std::string check_;        ///< hexadecimal
  bool eighth_bit_ = false;  ///< of a byte of this telegram
  bool odd_ = false;         ///< a byte of this telegram has an odd number of ones
  std::uint64_t at_byte_ = 0;
  std::uint64_t fed_ = 0;
  std::uint64_t strays_ = 0;  ///< bytes after the last telegram
};

}  // namespace nightwatt::drivers
