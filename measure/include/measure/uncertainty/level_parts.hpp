// A level's uncertainty by where it comes from: readings, display, meter.
#pragma once

namespace nightwatt {

/// What a level's uncertainty is made of, standard uncertainties in W.
struct LevelParts {
  double random_w = 0.0;  ///< readings and instants: another stretch of the same level does not share it
  double random_degrees_of_freedom = 0.0;
  double systematic_w = 0.0;  ///< the display: the same in the next stretch
  double accuracy_w = 0.0;    ///< the meter's promise
  [[nodiscard]] double standard_w() const;
  [[nodiscard]] double expanded_w() const;  ///< by the coverage_factor() that the whole's degrees of freedom ask for
};

}  // namespace nightwatt
