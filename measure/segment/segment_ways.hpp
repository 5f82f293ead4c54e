// The ways that power takes between levels: curves that settle, straight lines, and what it costs to tell them.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>
#include <limits>
#include <span>

#include "segment/segment_evidence.hpp"

namespace nightwatt {

constexpr double infinity = std::numeric_limits<double>::infinity();

// Of the table of docs/measuring.md, "How a night becomes segments", in nats; the models ask for them too.
constexpr double irregular_piece = 1.2;  // each of its pieces has a mean of its own
constexpr double excursion_cost = 4.0;   // a short departure from a level that comes back
// Of its way: how nearly a ramp is straight and a curve exponential. The looser is paid for by what it lets pass.
constexpr std::array<double, 2> shape_shares = {0.01, 0.05};

/// limit + amplitude exp(-t / tau) from a segment's begin on.
struct Curve {
  double cost = infinity;
  double limit_w = 0.0;
  double amplitude_w = 0.0;
  double tau_s = 0.0;
  [[nodiscard]] double at(double t_s) const { return limit_w + amplitude_w * std::exp(-t_s / tau_s); }
};

/// Ways through the evidence of a row of pieces, which outlives it: curves that settle, and straight lines.
class Ways {
 public:
  Ways(std::span<const Evidence> pieces, const PieceRules& rules) : at_(pieces), rules_(rules) {}

  /// Piece `k` of a curve through [i, j] is none of it: short and far from both neighbours.
  [[nodiscard]] bool blip(std::size_t i, std::size_t j, std::size_t k) const;
  /// The cheapest curve through the pieces [i, j]; its cost is infinite where none will do.
  [[nodiscard]] Curve best_curve(std::size_t i, std::size_t j) const;
  /// So far and so slowly that it is no load that settles.
  [[nodiscard]] static bool falls_far(const Curve& c, double length_s);
  /// What is left of pieces [i, j] about the best line that sets out at `from_w` and arrives `way` further, both as
  /// nearly as a line and a display's count allow.
  [[nodiscard]] double straight(std::size_t i, std::size_t j, double from_w, double way, double share) const;

 private:
  [[nodiscard]] Curve fit(std::size_t i, std::size_t j, double tau_s) const;
  [[nodiscard]] Curve fit(std::size_t i, std::size_t j, double tau_s, double share, double too_much) const;
  [[nodiscard]] bool has_ended(const Curve& c, double length_s) const;

  std::span<const Evidence> at_;
  PieceRules rules_;
};

}  // namespace nightwatt
