// The control socket's lines as values and back; see control.hpp for their form.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

#include "daemon/meter_session.hpp"
#include "daemon/port_tap.hpp"
#include "daemon/requests.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt::daemon {

using ControlRequest =
    std::variant<StatusRequest, CaptureRequest, BeginRequest, EndRequest, SplitRequest, JoinRequest, MarkRequest>;

/// Everything in it checked: unknown keys, wrong types, names and notes by text_rules. ErrorKind::input.
[[nodiscard]] Result<ControlRequest> parse_control_request(std::string_view line);

/// The request as the line that asks for it, with its newline: parse_control_request() gives it back. ErrorKind::input
/// where a text in it is not UTF-8; what else the service refuses of it, the service says.
[[nodiscard]] Result<std::string> request_line(const ControlRequest& request);

/// How telling at night went, since the service started.
struct NotificationStatus {
  std::uint64_t told = 0;
  std::uint64_t failed = 0;    ///< tries that failed
  std::uint64_t given_up = 0;  ///< messages that nobody was told of
  std::uint64_t waiting = 0;
};

/// How the mirror keeps up, where there is one.
struct MirrorState {
  bool connected = false;
  std::int64_t copied = 0;         ///< readings, since the service began
  std::optional<double> behind_s;  ///< since all that there was had been brought there; none: never yet
  std::string trouble;             ///< one line; empty: none
};

struct ServiceStatus {
  std::string version;
  UtcTime since;  ///< as shown to people
  std::vector<MeterStatus> meters;
  std::uint64_t queue = 0;  ///< readings waiting to be stored
  double flush_s = 0.0;     ///< how long the last commit took
  std::uint64_t lost = 0;   ///< readings for which there was no room, since the start
  bool paused = false;      ///< the store cannot be written at the moment
  std::string paused_why;   ///< while it cannot
  NotificationStatus tell;
  std::optional<MirrorState> mirror;
};

/// Each ends with its newline.
[[nodiscard]] std::string status_answer(const ServiceStatus& status);
/// Of such an answer: the meters whose ports do not say what their profiles say, and what they say instead.
[[nodiscard]] std::vector<std::pair<std::string, std::string>> troubles_of(std::string_view status_answer);
/// `state`: the meter's, as status has it.
[[nodiscard]] std::string capture_answer(const PortTap::Answer& tapped, const std::string& state);
[[nodiscard]] std::string run_answer(storage::RunId run);
[[nodiscard]] std::string error_answer(const Error& error);

}  // namespace nightwatt::daemon
