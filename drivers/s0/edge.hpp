// Edges of a modem line as bytes: what the port layer's watching thread says, and the decoder reads.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

#include "measure/signal/time.hpp"

namespace nightwatt::drivers::s0 {

/// What the line was found to be at an instant of the machine's steady clock. `changes` is the kernel's own count of
/// the line's changes (TIOCGICOUNT), 0 where it has none.
struct Edge {
  bool on = false;
  std::uint64_t at_us = 0;
  std::uint32_t changes = 0;
  friend bool operator==(const Edge&, const Edge&) = default;
};

/// A mark, on or off, eight bytes of time, four of count, high bytes first, and the exclusive or of all before.
inline constexpr std::size_t edge_length = 15;
[[nodiscard]] std::array<std::byte, edge_length> edge_bytes(const Edge& edge);
/// nullopt: these bytes are none.
[[nodiscard]] std::optional<Edge> read_edge(std::span<const std::byte> bytes);

}  // namespace nightwatt::drivers::s0
