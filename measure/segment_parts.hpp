// From the engine's pieces to stretches a person would draw: merging in watts, excursions, ramps, unsteady spans.
#pragma once

#include <cstddef>
#include <vector>

#include "bytes.hpp"
#include "measure/stretch.hpp"

namespace nightwatt {

/// Mean of the first or last readings of a part, over PartRules::edge_window_s().
struct EdgeLevel {
  std::int64_t n = 0;
  double mean = 0.0;
  void add(const EdgeLevel& other) {
    if (other.n == 0) return;
    n += other.n;
    mean += (other.mean - mean) * static_cast<double>(other.n) / static_cast<double>(n);
  }
};

/// What lies between two changes of the engine, or several such once they are known to belong together.
struct Part {
  Stretch stretch;           ///< shape: steady, or unsteady for what no level can be quoted of
  std::int64_t points = 0;   ///< what the engine saw of it: readings, or seconds of a fast stream
  std::int64_t noise_n = 0;  ///< degrees of freedom of the readings about their piece's mean
  double noise_m2 = 0.0;
  EdgeLevel head;
  EdgeLevel tail;
};

struct PartRules {
  double shortest_s = 20.0;
  double step_w = 0.0;
  /// Facing levels are compared over this much on either side of a change: a slow curve is no step.
  [[nodiscard]] double edge_window_s() const { return shortest_s / 2.0; }
};

/// One stretch and the parts [first, last) it is made of.
struct Arranged {
  Part part;
  std::size_t first = 0;
  std::size_t last = 0;
};

/// Parts follow each other without hole; the result covers them in order.
[[nodiscard]] std::vector<Arranged> arrange(const std::vector<Part>& parts, const PartRules& rules);

void write_part(ByteWriter& out, const Part& part);
[[nodiscard]] Part read_part(ByteReader& in);

}  // namespace nightwatt
