// Asks a Modbus meter nobody has described: at which speed and address does somebody answer, and with which profile do
// the answers make sense?
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/decoder.hpp"
#include "drivers/port.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::setup {

/// One try waits so long for an answer: the slowest line needs 60 ms for both frames, a meter some 100 ms to think.
inline constexpr Duration probe_wait{250'000};
/// All tries together.
inline constexpr Duration probe_limit{60'000'000};

struct ProbeAnswer {
  MeterProfile profile;  ///< with the line and unit that answered
  std::vector<drivers::Measurement> readings;
  bool refused_only = false;  ///< somebody is there, and has none of the profile's registers
};

/// Asks on an open port, with the profile but for its time-out. nullopt: nobody answered.
[[nodiscard]] std::optional<ProbeAnswer> ask_on(int descriptor, const MeterProfile& profile, Duration timeout);
/// Opens a port, also a USB test port, and asks once with the profile as it is. nullopt: nobody answered. PortError:
/// the port cannot be used.
[[nodiscard]] drivers::PortResult<std::optional<ProbeAnswer>> ask_once(const std::string& port,
                                                                       const MeterProfile& profile);

/// Whether a meter of this profile is found by asking on a serial port.
[[nodiscard]] bool is_asked(const MeterProfile& profile);
/// Where a meter answered, in words: "at unit 3, 9600 baud".
[[nodiscard]] std::string where_text(const MeterProfile& profile);

/// Asks with each of the profiles at its own line and at the usual speeds, harmlessly: instruments by their queries,
/// maps by their registers. The first that answers with a reading; empty: none did.
[[nodiscard]] drivers::PortResult<std::vector<ProbeAnswer>> probe_others(
    const std::string& port, const std::vector<MeterProfile>& profiles,
    const std::function<void(std::string_view)>& progress);

/// Tries lines and units with the first profile until somebody answers, then every profile there. Those with readings,
/// the most readings first; one that was refused only where no other fits. `progress` is called before each line.
[[nodiscard]] drivers::PortResult<std::vector<ProbeAnswer>> probe_modbus(
    const std::string& port, const std::vector<MeterProfile>& profiles,
    const std::function<void(std::string_view)>& progress);

}  // namespace nightwatt::setup
