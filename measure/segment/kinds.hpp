// Names the segments of a run by the likeliest account of what the device did.
//
// Levels are put into states first. An account says which state is the device's idle (all below it are then standby)
// and which falling curves are a battery that charges. Few accounts are possible, so each is weighed, by evidence that
// is written down in docs/measuring.md ("How segments get their kinds"), and the best one names the kinds.
#pragma once

#include <span>
#include <string>
#include <vector>

#include "measure/segment/segmenter.hpp"

namespace nightwatt {

/// `segments` were made of `regimes`, one of each; steady ones have a level and any kind. Returns what the record
/// cannot tell, a sentence each.
[[nodiscard]] std::vector<std::string> name_kinds(std::vector<Segment>& segments, std::span<const Regime> regimes,
                                                  const ClassifyInput& input);

}  // namespace nightwatt
