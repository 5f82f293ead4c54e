// A capture as a file: text, the bytes in hexadecimal with their times. People read it, `decode` reads it back.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::query {

/// The first line of every such file.
inline constexpr std::string_view capture_mark = "# nightwatt capture 1";

/// Lines `+SECONDS < hex` for bytes that came, `>` for those that were sent, SECONDS since the begin.
[[nodiscard]] std::string capture_lines(UtcTime begin, UtcTime at, bool sent, std::span<const std::byte> bytes);

/// The bytes that came, out of a capture or of a file of plain bytes, in pieces of any size.
class CaptureReader {
 public:
  /// Gives what is known of the bytes so far. Error kind input with the line's number.
  [[nodiscard]] Result<std::vector<std::byte>> feed(std::span<const char> text);
  [[nodiscard]] Result<std::vector<std::byte>> finish();

 private:
  [[nodiscard]] Result<void> take_line(std::string_view line, std::vector<std::byte>& bytes) const;

  std::optional<bool> is_capture_;  ///< none: too little was read to tell
  std::string rest_;                ///< of a line, or the beginning of a file
  std::uint64_t line_ = 0;
};

}  // namespace nightwatt::query
