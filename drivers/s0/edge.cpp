#include "s0/edge.hpp"

namespace nightwatt::drivers::s0 {

namespace {

constexpr std::byte mark{0xE5};

std::byte sum_of(std::span<const std::byte> bytes) {
  std::byte sum{0};
  for (const std::byte byte : bytes) sum ^= byte;
  return sum;
}

}  // namespace

std::array<std::byte, edge_length> edge_bytes(const Edge& edge) {
  std::array<std::byte, edge_length> bytes{};
  bytes[0] = mark;
  bytes[1] = edge.on ? std::byte{1} : std::byte{0};
  for (std::size_t i = 0; i < 8; ++i) bytes[2 + i] = static_cast<std::byte>(edge.at_us >> (56 - 8 * i) & 0xFFU);
  for (std::size_t i = 0; i < 4; ++i) bytes[10 + i] = static_cast<std::byte>(edge.changes >> (24 - 8 * i) & 0xFFU);
  bytes[14] = sum_of(std::span(bytes).first(edge_length - 1));
  return bytes;
}

std::optional<Edge> read_edge(std::span<const std::byte> bytes) {
  if (bytes.size() != edge_length || bytes[0] != mark || bytes[14] != sum_of(bytes.first(edge_length - 1)))
    return std::nullopt;
  Edge edge;
  edge.on = bytes[1] == std::byte{1};
  for (std::size_t i = 0; i < 8; ++i) edge.at_us = edge.at_us << 8U | std::to_integer<std::uint64_t>(bytes[2 + i]);
  for (std::size_t i = 0; i < 4; ++i) edge.changes = edge.changes << 8U | std::to_integer<std::uint32_t>(bytes[10 + i]);
  return edge;
}

}  // namespace nightwatt::drivers::s0
