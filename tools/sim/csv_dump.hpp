// A script as the CSV file that `nightwatt import` takes: a night without a meter.
#pragma once

#include <iosfwd>

#include "measure/signal/time.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {

/// One line every `interval_s` from `begin` to the script's end: power as the script's display shows it (0.1 W without
/// one), voltage, and the energy counter in steps of 0.01 Wh. The script's silences and unplugged times are missing.
void dump_csv(const Model& model, UtcTime begin, double interval_s, std::ostream& out);

}  // namespace nightwatt::sim
