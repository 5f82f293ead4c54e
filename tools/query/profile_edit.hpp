// A correction put into the text of a meter's profile, the rest left as its owner wrote it.
#pragma once

#include <string>

#include "measure/signal/correction.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt::query {

/// The profile's text with the correction in its [[read]] of power, in place of one that was there. Error kind input
/// where there is no such read.
[[nodiscard]] Result<std::string> with_correction(const std::string& profile, const Correction& correction);

}  // namespace nightwatt::query
