// Whose clock wrote a file: from what it showed to the instants that may be meant.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"

namespace nightwatt::csv {

/// The offsets of one place, or one offset. A value; finding it out takes a few milliseconds. One thread: the C library
/// knows one zone at a time, and is told another while named() works.
class Zone {
 public:
  [[nodiscard]] static Zone fixed(std::int64_t offset_s);
  /// The machine's own.
  [[nodiscard]] static Zone local();
  /// `Europe/Paris`, `UTC`, `+05:30`. Error kind input.
  [[nodiscard]] static Result<Zone> named(std::string_view name);

  /// The instants at which the clock shows this, in seconds since 1970 as if it were UTC: none where summer time skips
  /// it, two where it comes twice.
  struct Instants {
    std::optional<std::int64_t> first, second;
  };
  [[nodiscard]] Instants at(std::int64_t shown_s) const;

 private:
  struct Part {
    std::int64_t begin_s;  ///< UTC
    std::int64_t offset_s;
  };
  [[nodiscard]] static Zone of_library();
  [[nodiscard]] std::optional<std::int64_t> within(std::size_t part, std::int64_t shown_s) const;

  std::vector<Part> parts_;         ///< not empty; the first counts from ever
  mutable std::size_t recent_ = 0;  ///< where the last question fell; the next one falls there too
};

}  // namespace nightwatt::csv
