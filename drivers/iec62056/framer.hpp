// Frames of IEC 62056-21: identifications, data blocks with their check, read-outs without one.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/decoder.hpp"

namespace nightwatt::drivers::iec62056 {

enum class FrameKind : std::uint8_t {
  request,   ///< `/?...!`: somebody's question
  ident,     ///< `/XXXZ...`: text is what follows the slash
  block,     ///< STX ... ETX and a right check; text is the data lines
  command,   ///< SOH ... ETX and a right check: somebody programs the meter, or ends the session
  unframed,  ///< data lines up to `!`, without STX and check (mode A)
  damaged,   ///< fault says what
};

struct Frame {
  FrameKind kind = FrameKind::damaged;
  std::string_view text;  ///< valid until the next call
  std::uint64_t at_byte = 0;
  bool parity_taken = false;  ///< each byte had its parity as an eighth bit
  Fault fault;
};

/// Cuts a stream of bytes into frames, with bounded memory; the same for any chunks. The eighth bit, where there is
/// one, is the parity of the others: it is checked in data and taken off everywhere.
class Framer {
 public:
  /// The longest read-out: at 300 baud it takes nine minutes.
  static constexpr std::size_t limit = 16384;

  template <class OnFrame>
  void feed(std::byte byte, OnFrame&& on_frame) {
    // A byte that breaks one frame off may begin the next.
    bool again = true;
    while (again) {
      again = false;
      if (const auto frame = push(std::to_integer<unsigned>(byte), again)) on_frame(*frame);
    }
    ++fed_;
  }
  template <class OnFrame>
  void finish(OnFrame&& on_frame) {
    if (const auto frame = end()) on_frame(*frame);
  }
  /// Back to the beginning of a frame. Data lines without STX are taken only behind an identification.
  void forget();
  /// Data is awaited, as behind an identification.
  void await_data();
  /// Whether a frame has begun and not ended.
  [[nodiscard]] bool inside() const { return state_ != State::between && state_ != State::after_ident; }
  [[nodiscard]] std::uint64_t fed() const { return fed_; }
  /// The last data line so far, where it has just ended; for its instant.
  [[nodiscard]] std::string_view ended_line() const;

 private:
  enum class State : std::uint8_t {
    between,
    line,         ///< behind a slash
    after_ident,  ///< data, or an acknowledgement, is to come
    skip_line,    ///< an acknowledgement, up to its line end
    command,      ///< SOH up to ETX and its check
    block,
    check,  ///< behind ETX
    unframed,
    unframed_end,  ///< behind the `!`
  };
  std::optional<Frame> push(unsigned byte, bool& again);
  std::optional<Frame> push_between(char c, bool& again);
  std::optional<Frame> push_line(char c, bool& again);
  std::optional<Frame> push_command(char c, bool& again);
  std::optional<Frame> push_block(char c, bool& again);
  std::optional<Frame> push_check(char c);
  std::optional<Frame> push_unframed(char c, bool& again);
  std::optional<Frame> push_unframed_end(char c, bool& again);
  std::optional<Frame> end();
  void begin(State state);
  [[nodiscard]] Frame whole(FrameKind kind, std::string_view text) const;
  [[nodiscard]] Frame damaged(FaultKind kind, std::string what);
  [[nodiscard]] std::optional<Frame> note_stray();

  State state_ = State::between;
  std::string text_;
  unsigned sum_ = 0;  ///< exclusive or of what came after STX
  bool eighth_bit_ = false;
  bool odd_ = false;
  std::uint64_t at_byte_ = 0;
  std::uint64_t fed_ = 0;
  bool any_frame_ = false;  ///< since the last forget(): what comes before the first may be half a frame
  std::uint64_t strays_ = 0;
};

}  // namespace nightwatt::drivers::iec62056
