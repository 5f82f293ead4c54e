// The control socket's lines as values and back; see control.hpp for their form.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "daemon/meter_session.hpp"
#include "daemon/requests.hpp"
#include "measure/result.hpp"

namespace nightwatt::daemon {

using ControlRequest = std::variant<StatusRequest, BeginRequest, EndRequest, SplitRequest>;

/// Everything in it checked: unknown keys, wrong types, names and notes by text_rules. ErrorKind::input.
[[nodiscard]] Result<ControlRequest> parse_control_request(std::string_view line);

struct ServiceStatus {
  std::string version;
  UtcTime since;  ///< as shown to people
  std::vector<MeterStatus> meters;
  std::uint64_t queue = 0;  ///< readings waiting to be stored
  double flush_s = 0.0;     ///< how long the last commit took
  std::uint64_t lost = 0;   ///< readings for which there was no room, since the start
  bool paused = false;      ///< the store cannot be written at the moment
};

/// Each ends with its newline.
[[nodiscard]] std::string status_answer(const ServiceStatus& status);
[[nodiscard]] std::string run_answer(storage::RunId run);
[[nodiscard]] std::string error_answer(const Error& error);

}  // namespace nightwatt::daemon
