// The models that may explain pieces in a row, and what each of them costs.
//
// The currency is nats of description length: how badly a model predicts the pieces (negative log-likelihood) and what
// naming it costs. docs/measuring.md ("How a night becomes segments") explains the models and holds the table of the
// constants.
#pragma once

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <span>
#include <vector>

#include "segment/segment_evidence.hpp"

namespace nightwatt {

constexpr double infinity = std::numeric_limits<double>::infinity();

// Of that table, what more than one model asks for.
constexpr double level_cost = 5.0;       // a level, its value and where it begins
constexpr double excursion_cost = 4.0;   // a short departure from a level that comes back
constexpr double irregular_piece = 1.2;  // each piece of irregular work has a mean of its own
constexpr double jump_cost = 0.5;        // a reading or two on the way from one level to the next
constexpr std::int64_t jump_points = 2;
constexpr double turns_s = 60.0;  // the contract's: a phase held for longer is a level

enum class Model : std::uint8_t { level, curve, decay, turns, irregular, ramp, jump };
constexpr std::size_t model_count = 7;

/// limit + amplitude exp(-t / tau) from a segment's begin on.
struct Curve {
  double cost = infinity;
  double limit_w = 0.0;
  double amplitude_w = 0.0;
  double tau_s = 0.0;
  [[nodiscard]] double at(double t_s) const { return limit_w + amplitude_w * std::exp(-t_s / tau_s); }
};

/// At this cost a model explains the pieces from the one asked for up to `end`.
struct Offer {
  std::size_t end = 0;
  Model model = Model::level;
  double cost = 0.0;
  Curve curve = {};  ///< of a curve or decay
};
using Offers = std::vector<Offer>;
using Evidences = std::span<const Evidence>;  ///< of all pieces; models are asked what they make of those from `i` on

/// More than irregular work and a level for each piece would cost: nothing longer can win.
[[nodiscard]] inline double hopeless(std::size_t count) {
  return 40.0 + level_cost * static_cast<double>(count);
}

[[nodiscard]] Offers level_offers(Evidences at, std::size_t i, const PieceRules& rules);
/// Curves that settle, or drift, and decays: those that fall far.
[[nodiscard]] Offers curve_offers(Evidences at, std::size_t i, const PieceRules& rules);
/// Straight ways from the level before to the level after; `i` is not the first piece.
[[nodiscard]] Offers ramp_offers(Evidences at, std::size_t i, const PieceRules& rules);
/// Two levels that take turns.
[[nodiscard]] Offers turns_offers(Evidences at, std::size_t i);
[[nodiscard]] Offers irregular_offers(Evidences at, std::size_t i, const PieceRules& rules);
[[nodiscard]] Offers jump_offers(Evidences at, std::size_t i);

/// Which of the pieces [first, last) depart from the level, or the curve, that explains them.
[[nodiscard]] std::vector<bool> level_departures(Evidences at, std::size_t first, std::size_t last,
                                                 const PieceRules& rules);
[[nodiscard]] std::vector<bool> curve_departures(Evidences at, std::size_t first, std::size_t last);

/// Where the phases of the turns [first, last) begin, and the share of the time at their upper level.
struct Turns {
  std::vector<std::size_t> phases;
  double upper_share = 0.0;
};
[[nodiscard]] Turns turns_of(Evidences at, std::size_t first, std::size_t last);

}  // namespace nightwatt
