// Relations between two readings of one night that hold whatever the truth is:
// a half agrees with the whole, a thinned record with the full one.
#pragma once

#include <string>
#include <vector>

#include "score.hpp"

namespace nightwatt::nights {

/// The same night told differently.
struct Retold {
  Plan plan;  ///< what the device then did: from it follows which figures the
              ///< record still tells
  std::vector<std::pair<std::int64_t, double>> readings;
  double factor = 1.0;  ///< of all powers
};

struct Relation {
  std::string name;
  std::vector<Retold> (*retell)(const Night& night);
};

/// Halves, twice in a row, every second reading, one in fifty lost, a step of
/// noise, without the first ten, times 2.
[[nodiscard]] const std::vector<Relation>& relations();

/// Each figure that moves by more than the larger uncertainty of the two (and
/// what the truth itself moves), or that only one of the two has. Only figures
/// that both records tell without doubt.
struct Compared {
  int figures = 0;
  std::vector<std::string> moved;
};
[[nodiscard]] Compared compare(const Night& night, const Found& whole, const Relation& relation);

}  // namespace nightwatt::nights
