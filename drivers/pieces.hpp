// A capture of any length into a decoder's buffer, a piece at a time.
#pragma once

#include <algorithm>
#include <cstddef>
#include <span>
#include <vector>

namespace nightwatt::drivers {

/// Puts `bytes` behind what `buffer` holds and calls `parse` after each piece, so that the buffer stays small whatever
/// the caller hands in: `parse` takes out what it has used.
template <class Parse>
void feed_in_pieces(std::span<const std::byte> bytes, std::vector<std::byte>& buffer, Parse&& parse) {
  constexpr std::size_t piece = 64 * 1024;  // a call of parse() for each costs nothing beside the parsing
  while (!bytes.empty()) {
    const auto now = bytes.first(std::min(piece, bytes.size()));
    buffer.insert(buffer.end(), now.begin(), now.end());
    bytes = bytes.subspan(now.size());
    parse();
  }
}

}  // namespace nightwatt::drivers
