#include "csv_dump.hpp"

#include <algorithm>
#include <ostream>

#include "measure/signal/time_text.hpp"

namespace nightwatt::sim {

void dump_csv(const Model& model, UtcTime begin, double interval_s, std::ostream& out) {
  const Script& script = model.script();
  const double step_w = script.display_w.value_or(0.1);
  const int power_decimals = decimals_of(step_w);
  std::vector<std::pair<double, double>> missing = unplugged_times(script);
  for (const ScriptFault& fault : script.faults)
    if (fault.type == FaultType::silence) missing.emplace_back(fault.at_s, fault.at_s + fault.length_s);
  out << "time,power_w,voltage_v,energy_wh\n";
  for (std::uint64_t i = 0; static_cast<double>(i) * interval_s < script.length_s(); ++i) {
    const double at_s = static_cast<double>(i) * interval_s;
    if (std::any_of(missing.begin(), missing.end(),
                    [at_s](const auto& span) { return at_s >= span.first && at_s < span.second; }))
      continue;
    const double power = on_display(model.measured(Quantity::power, at_s), step_w, script.display_rule);
    const double energy = on_display(model.measured(Quantity::energy, at_s), 0.01, DisplayRule::truncate);
    out << unix_text(begin + to_duration(Seconds{at_s})) << ',' << fixed_text(power, power_decimals) << ','
        << fixed_text(model.measured(Quantity::voltage, at_s), 1) << ',' << fixed_text(energy, 2) << '\n';
  }
}

}  // namespace nightwatt::sim
