#include "setup/modbus_probe.hpp"

#include <poll.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <chrono>

#include "drivers/message_port.hpp"
#include "drivers/protocols.hpp"

namespace nightwatt::setup {
namespace {

using Steady = std::chrono::steady_clock;

constexpr std::array<std::uint32_t, 5> usual_bauds = {9600, 19200, 115200, 38400, 4800};
constexpr std::array<Parity, 2> usual_parities = {Parity::none, Parity::even};
constexpr std::array<int, 4> usual_units = {1, 2, 3, 10};  // common practice, no source

MeterProfile with(MeterProfile profile, const LineSettings& line, int unit) {
  profile.line = line;
  profile.protocol = drivers::visit_settings(profile.protocol, [unit](auto settings) {
    if constexpr (requires { settings.unit; }) settings.unit = unit;
    return ProtocolSettings(settings);
  });
  return profile;
}

/// The profile's own line first, then the usual ones; no line twice.
std::vector<LineSettings> lines_of(const std::vector<MeterProfile>& profiles) {
  std::vector<LineSettings> lines;
  const auto add = [&](const LineSettings& line) {
    if (std::find(lines.begin(), lines.end(), line) == lines.end()) lines.push_back(line);
  };
  for (const MeterProfile& profile : profiles) add(profile.line);
  for (const std::uint32_t baud : usual_bauds)
    for (const Parity parity : usual_parities) add({baud, parity, 8, 1});
  return lines;
}

std::vector<int> units_of(const std::vector<MeterProfile>& profiles) {
  std::vector<int> units;
  const auto add = [&](int unit) {
    if (std::find(units.begin(), units.end(), unit) == units.end()) units.push_back(unit);
  };
  for (const MeterProfile& profile : profiles)
    if (const auto* modbus = profile.protocol.find<ModbusRtuSettings>()) add(modbus->unit);
  for (const int unit : usual_units) add(unit);
  return units;
}

void write_all(int descriptor, std::vector<std::byte>& bytes) {
  while (!bytes.empty()) {
    const ssize_t sent = ::write(descriptor, bytes.data(), bytes.size());
    if (sent < 0 && errno == EINTR) continue;
    if (sent <= 0) break;  // a request that does not fit an empty line is lost, and asked again
    bytes.erase(bytes.begin(), bytes.begin() + sent);
  }
  bytes.clear();
}

struct Heard {
  drivers::Output output;
  bool refused = false;
};

/// The profile, giving up soon.
MeterProfile impatient(MeterProfile profile, Duration timeout) {
  profile.protocol = drivers::visit_settings(profile.protocol, [timeout](auto settings) {
    if constexpr (drivers::Asks<decltype(settings)>) {
      settings.timeout = timeout;
      settings.retries = 0;
    }
    return ProtocolSettings(settings);
  });
  return profile;
}

/// Lets the decoder ask and listen until it has a reading or the time is over; that is soon where something was
/// refused, but what was answered beside it still makes a reading.
Heard talk(int descriptor, drivers::Decoder& decoder, Duration most, Duration timeout) {
  Heard heard;
  const auto begin = Steady::now();
  const auto elapsed = [&] { return std::chrono::duration_cast<Duration>(Steady::now() - begin); };
  std::array<std::byte, 512> chunk{};
  while (elapsed() < most && heard.output.readings.empty()) {
    decoder.tick(elapsed(), heard.output);
    write_all(descriptor, heard.output.send);
    heard.output.send.clear();
    if (heard.output.line && drivers::all_sent(descriptor)) {
      (void)drivers::change_line(descriptor, *heard.output.line);
      heard.output.line.reset();
    }
    pollfd entry{descriptor, POLLIN, 0};
    constexpr int look_ms = 10;
    if (::poll(&entry, 1, look_ms) <= 0) continue;
    const ssize_t got = ::read(descriptor, chunk.data(), chunk.size());
    if (got <= 0 && errno != EAGAIN && errno != EINTR) break;
    if (got > 0) decoder.feed(std::span(chunk).first(static_cast<std::size_t>(got)), elapsed(), heard.output);
    const bool refused =
        std::any_of(heard.output.faults.begin(), heard.output.faults.end(),
                    [](const drivers::Fault& fault) { return fault.kind == drivers::FaultKind::exception; });
    if (refused && !heard.refused) most = std::min(most, elapsed() + timeout);
    heard.refused = refused;
  }
  return heard;
}

}  // namespace

bool is_asked(const MeterProfile& profile) {
  return drivers::visit_settings(
      profile.protocol, drivers::Overloaded{[](const ModbusTcpSettings&) { return false; },  // not on a serial line
                                            [](const Iec62056Settings& head) { return head.mode != Iec62056Mode::d; },
                                            []<class Settings>(const Settings&) { return drivers::Asks<Settings>; }});
}

std::string where_text(const MeterProfile& profile) {
  const std::string how = drivers::visit_settings(profile.protocol, [](const auto& settings) {
    if constexpr (requires { settings.unit; })
      return "at unit " + std::to_string(settings.unit);
    else
      return "as " + std::string(settings.protocol_name);
  });
  return how + ", " + std::to_string(profile.line.baud) + " baud";
}

std::optional<ProbeAnswer> ask_on(int descriptor, const MeterProfile& profile, Duration timeout) {
  auto decoder = drivers::make_decoder(impatient(profile, timeout));
  if (!decoder) return std::nullopt;
  // A profile of several requests needs so much for each.
  Duration most = timeout * static_cast<int>(1 + profile.reads.size());
  // A read-out begins at 300 baud; at a speed that the head cannot do it is tried again at half of it.
  constexpr Duration read_out_wait{15'000'000};
  if (profile.protocol.find<Iec62056Settings>() != nullptr) most = read_out_wait;
  Heard heard = talk(descriptor, **decoder, most, timeout);
  if (heard.output.readings.empty() && !heard.refused) return std::nullopt;
  return ProbeAnswer{profile, heard.output.readings, heard.output.readings.empty()};
}

drivers::PortResult<std::optional<ProbeAnswer>> ask_once(const std::string& port, const MeterProfile& profile) {
  if (drivers::is_message_port(port)) {
    // The driver waits for half a second at least before it gives a question up.
    constexpr Duration driver_wait{750'000};
    const auto opened = drivers::open_messages(port, probe_wait);
    if (!opened) return tl::unexpected(opened.error());
    return ask_on((*opened)->fd(), profile, driver_wait);
  }
  const auto opened = drivers::open_port(port, profile.line);
  if (!opened) return tl::unexpected(opened.error());
  return ask_on(opened->fd(), profile, probe_wait);
}

drivers::PortResult<std::vector<ProbeAnswer>> probe_others(const std::string& port,
                                                           const std::vector<MeterProfile>& profiles,
                                                           const std::function<void(std::string_view)>& progress) {
  std::vector<ProbeAnswer> answers;
  for (const MeterProfile& profile : profiles) {
    std::vector<LineSettings> lines = {profile.line};
    // A read-out begins at its own speed, and a USB test port has none.
    const bool any_speed = profile.protocol.find<Iec62056Settings>() == nullptr && !drivers::is_message_port(port);
    for (const std::uint32_t baud : {9600U, 115200U, 19200U})
      if (any_speed && baud != profile.line.baud) lines.push_back({baud, Parity::none, 8, 1});
    for (const LineSettings& line : lines) {
      progress("as " + profile.name + (any_speed ? ", " + std::to_string(line.baud) + " baud" : ""));
      MeterProfile tried = profile;
      tried.line = line;
      auto answer = ask_once(port, tried);
      if (!answer && answer.error().problem == drivers::PortProblem::unsupported) continue;
      if (!answer) return tl::unexpected(answer.error());
      if (!*answer || (*answer)->readings.empty()) continue;
      answers.push_back(std::move(**answer));
      return answers;
    }
  }
  return answers;
}

drivers::PortResult<std::vector<ProbeAnswer>> probe_modbus(const std::string& port,
                                                           const std::vector<MeterProfile>& profiles,
                                                           const std::function<void(std::string_view)>& progress) {
  std::vector<ProbeAnswer> answers;
  if (profiles.empty()) return answers;
  const auto until = Steady::now() + probe_limit;
  // One register is asked for first: whoever is there answers or refuses, at once.
  MeterProfile knock = profiles.front();
  knock.reads.resize(1);
  for (const LineSettings& line : lines_of(profiles)) {
    progress("at " + std::to_string(line.baud) + " baud" + (line.parity == Parity::even ? ", even parity" : ""));
    for (const int unit : units_of(profiles)) {
      if (Steady::now() > until) return answers;
      const auto there = ask_once(port, with(knock, line, unit));
      if (!there && there.error().problem == drivers::PortProblem::unsupported) break;  // the next line
      if (!there) return tl::unexpected(there.error());
      if (!*there) continue;
      for (const MeterProfile& profile : profiles) {
        auto answer = ask_once(port, with(profile, line, unit));
        if (answer && *answer) answers.push_back(std::move(**answer));
      }
      std::stable_sort(answers.begin(), answers.end(), [](const ProbeAnswer& a, const ProbeAnswer& b) {
        const auto worth = [](const ProbeAnswer& x) { return x.readings.empty() ? 0 : x.profile.reads.size(); };
        return worth(a) > worth(b);
      });
      return answers;
    }
  }
  return answers;
}

}  // namespace nightwatt::setup
