// Answers of which one is right, each with its posterior: which of them count, and the interval that holds the truth.
#pragma once

#include <span>

namespace nightwatt {

/// What a level is if one hypothesis is right; about normal.
struct Answer {
  double weight = 0.0;  ///< posterior; need not add up to 1
  double level = 0.0;
  double standard = 0.0;  ///< standard uncertainty
};

struct MixtureInterval {
  double middle = 0.0;
  double half_width = 0.0;
};

/// The shortest interval that holds coverage_of_two of the mixture.
[[nodiscard]] MixtureInterval mixture_interval(std::span<const Answer> answers);

}  // namespace nightwatt
