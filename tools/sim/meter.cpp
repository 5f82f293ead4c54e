#include "sim/meter.hpp"

#include <algorithm>

#include "drivers/protocols.hpp"
#include "head_meter.hpp"
#include "line_meter.hpp"
#include "modbus_slave.hpp"
#include "p1_meter.hpp"
#include "pulse_output.hpp"
#include "scpi_instrument.hpp"
#include "sml_meter.hpp"
#include "sunspec_meter.hpp"

namespace nightwatt::sim {
namespace {

bool has(const Script& script, FaultType type) {
  return std::any_of(script.faults.begin(), script.faults.end(),
                     [type](const ScriptFault& fault) { return fault.type == type; });
}

tl::unexpected<Error> no_checksum(const std::string& protocol) {
  return fail(ErrorKind::input, "the script spoils a checksum, and " + protocol + " has none; play `cut` or `garbage`");
}

}  // namespace

std::string_view fate_name(Fate fate) {
  switch (fate) {
    case Fate::good:
      return "good";
    case Fate::cut:
      return "cut";
    case Fate::checksum:
      return "checksum";
    case Fate::exception:
      return "exception";
    case Fate::twice:
      return "twice";
    case Fate::silent:
      return "silent";
  }
  return "";
}

Result<std::unique_ptr<Meter>> make_meter(const MeterProfile& profile, Script script, std::uint64_t seed) {
  using Made = Result<std::unique_ptr<Meter>>;
  return drivers::visit_settings(
      profile.protocol,
      drivers::Overloaded{
          [&](const ModbusRtuSettings&) -> Made {
            return std::make_unique<ModbusSlave>(profile, std::move(script), seed);
          },
          [&](const ModbusTcpSettings&) -> Made {
            if (has(script, FaultType::checksum)) return no_checksum("modbus-tcp");
            return std::make_unique<ModbusSlave>(profile, std::move(script), seed);
          },
          [&](const S0PulseSettings&) -> Made {
            if (std::any_of(script.faults.begin(), script.faults.end(),
                            [](const ScriptFault& fault) { return fault.type != FaultType::unplug; }))
              return fail(ErrorKind::input, "a pulse output plays no faults but `unplug`; take them out of the script");
            return std::make_unique<PulseOutput>(profile, std::move(script), seed);
          },
          [&](const SmlSettings&) -> Made {
            if (has(script, FaultType::exception))
              return fail(ErrorKind::input, "the script plays an exception, and an sml meter has none; take it out");
            return std::make_unique<SmlMeter>(profile, std::move(script), seed);
          },
          [&](const SunSpecSettings&) -> Made {
            return std::make_unique<SunSpecMeter>(profile, std::move(script), seed);
          },
          [&](const ScpiSettings&) -> Made {
            if (has(script, FaultType::checksum)) return no_checksum("scpi");
            return std::make_unique<ScpiInstrument>(profile, std::move(script), seed);
          },
          [&](const DsmrP1Settings&) -> Made {
            if (has(script, FaultType::exception))
              return fail(ErrorKind::input, "the script plays an exception, and a P1 port has none; take it out");
            if (has(script, FaultType::checksum) && profile.line.data_bits == 7)
              return no_checksum("a P1 port of 7 bits");
            return std::make_unique<P1Meter>(profile, std::move(script), seed);
          },
          [&](const Iec62056Settings& head) -> Made {
            if (head.mode == Iec62056Mode::d) {
              if (has(script, FaultType::checksum)) return no_checksum("mode d");
              return std::make_unique<PushingHead>(profile, std::move(script), seed);
            }
            return std::make_unique<HeadMeter>(profile, std::move(script), seed);
          },
          [&](const TextLineSettings& text) -> Made {
            if (has(script, FaultType::exception))
              return fail(ErrorKind::input,
                          "the script plays an exception, and a text-line meter has none; use modbus-rtu");
            if (has(script, FaultType::checksum) && text.checksum == TextChecksum::none)
              return fail(ErrorKind::input,
                          "the script spoils a checksum, and the profile has none; say checksum = \"xor\"");
            return std::make_unique<LineMeter>(profile, std::move(script), seed);
          }});
}

std::vector<std::pair<double, double>> unplugged_times(const Script& script) {
  std::vector<std::pair<double, double>> times;
  for (const ScriptFault& fault : script.faults) {
    if (fault.type != FaultType::unplug) continue;
    const double end = fault.at_s + fault.length_s;
    if (!times.empty() && fault.at_s <= times.back().second) {
      times.back().second = std::max(times.back().second, end);
    } else {
      times.emplace_back(fault.at_s, end);
    }
  }
  return times;
}

}  // namespace nightwatt::sim
