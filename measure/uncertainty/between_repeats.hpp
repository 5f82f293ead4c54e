// How far repeats of one level may be from its mean beyond what each says of itself.
#pragma once

#include <span>

#include "measure/uncertainty/distributions.hpp"

namespace nightwatt {

/// How far repeats differ: a standard deviation, as a share of the level, beyond which it is the less likely, by so
/// many powers of itself more than the scale-free guess below it.
struct Differ {
  double usual = 0.0;
  double beyond = 1.0;
};
/// For 33 pairs of repeats of a level in the real runs of docs/measuring.md a half-Cauchy of a quarter of a per cent is
/// likeliest, and this is the upper end of what they allow (they are 3.6 times less likely of it). Over such repeats
/// the intervals hold the truth 94 to 95 times in 100.
constexpr Differ levels_differ{0.005, 1.0};
/// Whole runs of a device: another room, another supply, other work in the background (common practice, no source).
/// What differs by more was another condition.
constexpr Differ runs_differ{0.1, 2.0};
/// What a command takes: it may have found its data in memory, or waited (common practice, no source).
constexpr Differ tasks_differ{0.5, 1.0};

/// One repeat, as far as its distance from the others goes.
struct Repeat {
  double value = 0.0;
  double share = 1.0;  ///< of the weighted mean; all of them add up to 1
  UncertaintyPart chance;
  double display = 0.0;  ///< standard: what the display may do otherwise in each; the mean does not average it
};

/// The standard uncertainty of the weighted mean that goes in beside the repeats' own chance and display, so that the
/// interval holds the level that they are repeats of; 0 where these explain how far they lie apart. As sure as a normal
/// distribution: half of what 95.45 % need. See docs/measuring.md, "Repeats".
[[nodiscard]] double between_repeats(std::span<const Repeat> repeats, Differ differ);

}  // namespace nightwatt
