// Cuts a stream of bytes into lines, with bounded memory.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <span>
#include <string_view>

namespace nightwatt::drivers::text {

/// Longest line taken, its end not counted. A home-made meter's line has 20 to 200 characters, NMEA 0183 allows 82.
inline constexpr std::size_t line_limit = 1024;

/// CR and LF end a line, so that CR LF makes an empty one after it. A line beyond line_limit is given as over-long once
/// and dropped up to its end. The same lines for any chunks.
class LineSplitter {
 public:
  struct Line {
    std::string_view text;  ///< valid until the next call; empty where over-long
    std::uint64_t at_byte = 0;
    bool too_long = false;
  };

  /// Calls `on_line(const Line&)` for every line that ends in `bytes`, and at once for a line that is too long.
  template <class OnLine>
  void feed(std::span<const std::byte> bytes, OnLine&& on_line) {
    while (!bytes.empty()) {
      Line line;
      if (step(bytes, line)) on_line(line);
    }
  }

  /// The end of the stream ends a line too.
  template <class OnLine>
  void finish(OnLine&& on_line) {
    Line line;
    if (inside_line() && end_line({}, line)) on_line(line);
  }

  /// Whether a line has begun and not ended.
  [[nodiscard]] bool inside_line() const { return length_ > 0 || dropping_; }
  [[nodiscard]] std::uint64_t line_begin() const { return line_at_; }

  /// Forgets the line that has begun.
  void forget_line();

 private:
  bool step(std::span<const std::byte>& bytes, Line& line);
  bool end_line(std::string_view rest, Line& line);

  std::array<char, line_limit> buffer_{};
  std::size_t length_ = 0;  ///< of the line so far, in buffer_
  bool dropping_ = false;   ///< inside a line that is too long
  std::uint64_t line_at_ = 0;
  std::uint64_t fed_ = 0;
};

}  // namespace nightwatt::drivers::text
