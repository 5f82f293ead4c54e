// What comes over a port and goes out of it, kept for who wants to see it, and only while somebody asks.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <optional>
#include <span>
#include <vector>

#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

/// Bytes that were read or written at once.
struct TappedPiece {
  UtcTime at;  ///< as shown to people
  bool sent = false;
  std::vector<std::byte> bytes;
};

/// Loop thread. Begins with the first question and ends by itself when nobody asks any more.
class PortTap {
 public:
  /// Kept between two questions: at 115200 baud five seconds, in as small pieces as a line gives.
  static constexpr std::size_t bytes_limit = std::size_t{64} * 1024;
  static constexpr std::size_t pieces_limit = 4096;
  static constexpr Duration silence_limit{10'000'000};

  struct Answer {
    std::uint64_t next = 0;    ///< to ask with the next time
    std::uint64_t missed = 0;  ///< pieces that were dropped since the last question, for want of room
    std::vector<TappedPiece> pieces;
  };

  [[nodiscard]] bool on() const { return asked_.has_value(); }
  void add(MonoTime now, TappedPiece piece);
  /// What came since; nothing where `after` is none, which begins.
  [[nodiscard]] Answer take(MonoTime now, std::optional<std::uint64_t> after);

 private:
  void drop_first();

  std::optional<MonoTime> asked_;
  std::deque<TappedPiece> pieces_;
  std::uint64_t first_ = 0;  ///< number of the oldest piece
  std::size_t bytes_ = 0;
};

}  // namespace nightwatt::daemon
