#include "setup_meter.hpp"

#include <algorithm>
#include <array>

#include "config/config.hpp"
#include "config/installed.hpp"
#include "drivers/message_port.hpp"
#include "drivers/protocols.hpp"
#include "setup/port_bytes.hpp"
#include "setup/spoken.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

constexpr std::array<std::uint32_t, 9> usual_bauds = {115200, 9600, 57600, 38400, 19200, 4800, 2400, 1200, 230400};
/// A meter that speaks by itself mostly does so every second.
constexpr Duration first_wait{4'000'000};
/// The slow ones every ten; waited for once nobody answered either.
constexpr Duration last_wait{15'000'000};
constexpr Duration a_speed{2'500'000};  ///< listened to each, where lines come often
constexpr std::size_t lines_wanted = 4;
constexpr double text_enough = 0.95;  ///< of the bytes; a wrong speed gives half at best

using Heard = Result<std::optional<FoundMeter>>;

std::vector<std::uint32_t> bauds_of(const SetupArguments& arguments) {
  if (arguments.baud) return {static_cast<std::uint32_t>(std::strtoul(arguments.baud->c_str(), nullptr, 10))};
  return {usual_bauds.begin(), usual_bauds.end()};
}

Result<std::optional<TextLineSettings>> form_of(const SetupArguments& arguments) {
  if (!arguments.form && !arguments.checksum) return std::nullopt;
  TextLineSettings settings;
  const std::string form = arguments.form.value_or("csv");
  if (form == "json")
    settings.form = TextForm::json;
  else if (form == "key-value")
    settings.form = TextForm::key_value;
  else if (form != "csv")
    return fail(ErrorKind::input, "--form is " + text::quoted(form) + "; give csv, key-value or json");
  if (arguments.checksum && *arguments.checksum != "none" && *arguments.checksum != "xor")
    return fail(ErrorKind::input, "--checksum is " + text::quoted(*arguments.checksum) + "; give none or xor");
  if (arguments.checksum == "xor") settings.checksum = TextChecksum::xor_nmea;
  if (!arguments.form) return fail(ErrorKind::input, "--checksum goes with --form");
  return settings;
}

/// The installed profiles that `is` says it of.
std::vector<MeterProfile> installed(bool (*is)(const MeterProfile&)) {
  std::vector<MeterProfile> profiles;
  for (const std::string& name : config::installed_profiles()) {
    auto profile = config::load_profile(name, "", drivers::protocol_readers());
    if (profile && is(*profile)) profiles.push_back(std::move(*profile));
  }
  return profiles;
}

/// One speed: frames that are known or whole lines that make sense, or nothing.
Heard hear(const std::string& port, std::uint32_t baud, Duration most, const std::optional<TextLineSettings>& form) {
  LineSettings line;
  line.baud = baud;
  const auto opened = drivers::open_port(port, line);
  if (!opened && opened.error().problem == drivers::PortProblem::unsupported) return std::nullopt;
  if (!opened) return port_trouble(opened.error());
  std::string bytes;
  std::optional<setup::ProbeAnswer> known;
  const std::vector<MeterProfile> spoken = form ? std::vector<MeterProfile>() : installed(setup::is_spoken);
  const auto heard = setup::listen(*opened, most, bytes, [&](const std::string& so_far) {
    known = setup::known_by(so_far, baud, spoken);
    return known || (setup::whole_lines(so_far).size() >= lines_wanted && (form || !setup::may_be_spoken(so_far)));
  });
  if (!heard) return port_trouble(heard.error());
  if (known) return FoundMeter{known->profile.line, std::nullopt, {std::move(*known)}};
  if (!form && setup::may_be_spoken(bytes)) return std::nullopt;  // half a telegram is no line with numbers
  if (setup::text_share(bytes) < text_enough) return std::nullopt;
  const auto lines = setup::whole_lines(bytes);
  auto guess = setup::guess_text(lines, form);
  if (!guess) return std::nullopt;
  return FoundMeter{line, std::move(*guess), {}};
}

/// Whether anything at all comes; at a wrong speed it would be noise, but it would come.
Result<bool> speaks(const std::string& port, std::uint32_t baud, Duration most) {
  LineSettings line;
  line.baud = baud;
  const auto opened = drivers::open_port(port, line);
  if (!opened) return port_trouble(opened.error());
  std::string bytes;
  const auto heard = setup::listen(*opened, most, bytes, [](const std::string& so_far) { return !so_far.empty(); });
  if (!heard) return port_trouble(heard.error());
  return !bytes.empty();
}

Heard hear_at_any_speed(Dialogue& talk, const std::string& port, const SetupArguments& arguments, Duration each) {
  const auto form = form_of(arguments);
  if (!form) return tl::unexpected(form.error());
  for (const std::uint32_t baud : bauds_of(arguments)) {
    talk.say("  listening at " + std::to_string(baud) + " baud");
    auto found = hear(port, baud, each, *form);
    if (!found || *found) return found;
  }
  return std::nullopt;
}

Result<std::vector<setup::ProbeAnswer>> ask_around(Dialogue& talk, const std::string& port,
                                                   const SetupArguments& arguments) {
  std::vector<MeterProfile> profiles;
  if (arguments.profile) {
    auto profile = config::load_profile(*arguments.profile, ".", drivers::protocol_readers());
    if (!profile) return tl::unexpected(profile.error());
    profiles.push_back(std::move(*profile));
  } else {
    profiles = installed(setup::is_asked);
  }
  if (profiles.empty()) {
    talk.say("No profile is installed to ask with.");
    return std::vector<setup::ProbeAnswer>{};
  }
  // On a USB test port nobody understands anything but queries.
  if (drivers::is_message_port(port))
    std::erase_if(profiles,
                  [](const MeterProfile& profile) { return profile.protocol.find<ScpiSettings>() == nullptr; });
  const auto others = std::stable_partition(profiles.begin(), profiles.end(), [](const MeterProfile& profile) {
    return profile.protocol.find<ModbusRtuSettings>() != nullptr;
  });
  const std::vector<MeterProfile> modbus(profiles.begin(), others);
  const std::vector<MeterProfile> rest(others, profiles.end());
  const auto progress = [&](std::string_view line) { talk.say("  asking " + std::string(line)); };
  if (!modbus.empty()) {
    // A SunSpec meter refuses the registers of other profiles, as a Modbus meter does: it is asked for its map as well.
    std::vector<MeterProfile> tried = modbus;
    std::copy_if(rest.begin(), rest.end(), std::back_inserter(tried),
                 [](const MeterProfile& profile) { return profile.protocol.find<SunSpecSettings>() != nullptr; });
    talk.say("Asking with " + std::to_string(tried.size()) + " Modbus profiles, a minute at most:");
    auto answers = setup::probe_modbus(port, tried, progress);
    if (!answers) return port_trouble(answers.error());
    if (!answers->empty()) return std::move(*answers);
  }
  if (!rest.empty()) talk.say("Asking with " + std::to_string(rest.size()) + " more profiles:");
  auto answers = setup::probe_others(port, rest, progress);
  if (!answers) return port_trouble(answers.error());
  return std::move(*answers);
}

tl::unexpected<Error> nothing(const std::string& port) {
  return fail(ErrorKind::negative,
              "nothing was heard on " + text::printable(port) +
                  " and nobody answered: is the meter on, are its two wires the right way round, does it speak one of "
                  "the protocols of docs/meters.md? --profile asks with a profile of your own");
}

}  // namespace

tl::unexpected<Error> port_trouble(const drivers::PortError& error) {
  std::string message = error.message;
  if (error.problem == drivers::PortProblem::busy)
    message += "; where nightwattd records it, stop that first or choose another port";
  return fail(ErrorKind::unusable, std::move(message));
}

Result<FoundMeter> find_meter(Dialogue& talk, const std::string& port, const SetupArguments& arguments) {
  if (drivers::is_message_port(port)) {
    auto answers = ask_around(talk, port, arguments);
    if (!answers) return tl::unexpected(answers.error());
    if (answers->empty()) return nothing(port);
    return FoundMeter{answers->front().profile.line, std::nullopt, std::move(*answers)};
  }
  const bool text_only = arguments.form.has_value();
  talk.say("Listening to " + text::printable(port) + ":");
  auto spoke = arguments.profile ? Result<bool>(false) : speaks(port, bauds_of(arguments).front(), first_wait);
  if (!spoke) return tl::unexpected(spoke.error());
  if (!*spoke && !text_only) {
    if (!arguments.profile) talk.say("  it says nothing by itself");
    auto answers = ask_around(talk, port, arguments);
    if (!answers) return tl::unexpected(answers.error());
    if (!answers->empty()) return FoundMeter{answers->front().profile.line, std::nullopt, std::move(*answers)};
    if (arguments.profile) return nothing(port);
    talk.say("  nobody answers; listening for a slow one");
    spoke = speaks(port, bauds_of(arguments).front(), last_wait);
    if (!spoke) return tl::unexpected(spoke.error());
  }
  for (const Duration each : {a_speed, last_wait}) {
    if (!*spoke && !text_only) break;
    auto found = hear_at_any_speed(talk, port, arguments, each);
    if (!found) return tl::unexpected(found.error());
    if (*found) return std::move(**found);
    if (!arguments.baud && each == a_speed) talk.say("  no lines that make sense yet; listening longer");
  }
  if (!*spoke) return nothing(port);
  return fail(ErrorKind::negative,
              "something comes from " + text::printable(port) +
                  ", but at none of the usual speeds is it lines with numbers: give --baud and --form, or write a "
                  "profile as docs/meters.md says");
}

}  // namespace nightwatt::query
