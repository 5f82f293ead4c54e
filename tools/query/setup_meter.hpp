// Finding out what is on a port: what it says by itself, or what it answers.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "arguments.hpp"
#include "dialogue.hpp"
#include "drivers/port.hpp"
#include "measure/signal/result.hpp"
#include "setup/modbus_probe.hpp"
#include "setup/text_guess.hpp"

namespace nightwatt::query {

/// Exactly one of the two.
struct FoundMeter {
  LineSettings line;
  std::optional<setup::TextGuess> text;
  std::vector<setup::ProbeAnswer> answers;
};

/// Listens at the usual speeds, then asks with the installed Modbus profiles; says on the way what it does.
[[nodiscard]] Result<FoundMeter> find_meter(Dialogue& talk, const std::string& port, const SetupArguments& arguments);

/// In words for people, with what to do about it.
[[nodiscard]] tl::unexpected<Error> port_trouble(const drivers::PortError& error);

}  // namespace nightwatt::query
