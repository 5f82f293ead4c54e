// How far repeats of one level may be from its mean beyond what each says of itself.
#pragma once

#include <span>

#include "measure/distributions.hpp"

namespace nightwatt {

/// Standard deviation by which repeats of a level differ, as a share of the level: half of them by less, half by more.
/// Most likely for 33 pairs of repeats in the real runs of docs/measuring.md is a quarter of a per cent; this is the
/// upper end of what they allow (they are 3.6 times less likely of it), since too narrow does more harm than too wide.
constexpr double levels_differ = 0.005;
/// The same of whole runs of a device: another room, another supply, other work in the background (common practice, no
/// source).
constexpr double runs_differ = 0.02;
/// The same of what a command takes: it may have found its data in memory, or waited (common practice, no source).
constexpr double tasks_differ = 0.5;

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
[[nodiscard]] double between_repeats(std::span<const Repeat> repeats, double usual_share);

}  // namespace nightwatt
