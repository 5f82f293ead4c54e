#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <filesystem>

#include "context.hpp"
#include "dialogue.hpp"
#include "drivers/protocols.hpp"
#include "figures/figures.hpp"
#include "service.hpp"
#include "setup/files.hpp"
#include "setup_choice.hpp"
#include "setup_meter.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view caution =
    "The meter's serial or USB side must be isolated from the mains by the meter itself; a bare metering board whose\n"
    "serial port is at mains potential is never connected to a computer. Use the meter as its maker says.\n";

class Setup {
 public:
  Setup(Context& context, const SetupArguments& arguments)
      : context_(context),
        arguments_(arguments),
        talk_(quiet() ? unheard_ : context.out, context.style, STDIN_FILENO, asks()) {}

  Outcome run() {
    if (auto checked = check_arguments(); !checked) return tl::unexpected(checked.error());
    if (talk_.asks()) talk_.say(caution);
    if (auto chosen = choose_port(); !chosen) return tl::unexpected(chosen.error());
    if (auto free = refuse_recorded(); !free) return tl::unexpected(free.error());
    const auto found = find_meter(talk_, port_, arguments_);
    if (!found) return tl::unexpected(found.error());
    auto chosen = found->text ? choose_fields(talk_, arguments_, port_, *found) : choose_answer(talk_, *found);
    if (!chosen) return tl::unexpected(chosen.error());
    chosen_ = std::move(*chosen);
    if (auto placed = choose_folder(); !placed) return tl::unexpected(placed.error());
    if (auto named = choose_name(); !named) return tl::unexpected(named.error());
    return write();
  }

 private:
  [[nodiscard]] bool quiet() const { return context_.json; }
  [[nodiscard]] bool asks() const { return !arguments_.yes && !context_.json && ::isatty(STDIN_FILENO) == 1; }

  Result<void> check_arguments() {
    if (!asks() && !arguments_.yes)
      return fail(ErrorKind::input,
                  "there is no terminal to ask on: give --yes, and by options what should not be guessed");
    if (arguments_.add && arguments_.overwrite)
      return fail(ErrorKind::input,
                  "--add keeps the config that is there and --overwrite does not: give one of the two");
    if (arguments_.baud) {
      const auto baud = number_from("--baud", *arguments_.baud);
      if (!baud) return tl::unexpected(baud.error());
      if (*baud < 50 || *baud > 4e6 || *baud != std::floor(*baud))
        return fail(ErrorKind::input, "--baud is " + text::quoted(*arguments_.baud) + "; give a speed such as 9600");
    }
    if (arguments_.accuracy)
      if (const auto accuracy = Accuracy::parse(*arguments_.accuracy); !accuracy)
        return fail(ErrorKind::input, "--accuracy: " + accuracy.error().message);
    if (const auto step = maybe_positive("--resolution", arguments_.resolution); !step)
      return tl::unexpected(step.error());
    if (arguments_.unit && !setup::scale_from(*arguments_.unit))
      return fail(ErrorKind::input,
                  "--unit is " + text::quoted(*arguments_.unit) + "; give W, mW, kW or a factor to W");
    if (!arguments_.name) return {};
    folder_ = arguments_.out.value_or(usual_folder());
    if (arguments_.add && (arguments_.out || !asks()) && setup::is_taken(folder_, *arguments_.name))
      return fail(ErrorKind::input, "--name: " + name_is_taken(*arguments_.name));
    return text::check_text("--name", *arguments_.name, setup::longest_name);
  }

  Result<void> choose_port() {
    if (arguments_.port) {
      port_ = *arguments_.port;
      return {};
    }
    const auto ports = drivers::list_ports();
    if (!talk_.asks() && ports.size() != 1)
      return fail(ErrorKind::input, "say which port with --port; nightwatt ports lists them");
    for (std::size_t i = 0; i < ports.size(); ++i)
      talk_.say("  " + std::to_string(i + 1) + "  " + text::printable(ports[i].path) + "  " +
                text::printable(ports[i].description));
    if (ports.empty()) talk_.say("No serial port is there. Plug the meter's adapter in, or give a port's path.");
    return talk_.ask_until("Which port? A number or a path", ports.empty() ? "" : "1", [&](const std::string& word) {
      const auto number = static_cast<std::size_t>(std::strtoul(word.c_str(), nullptr, 10));
      if (number >= 1 && number <= ports.size() && word.find('/') == std::string::npos) {
        const drivers::PortInfo& port = ports[number - 1];
        port_ = port.by_id.empty() ? port.path : port.by_id;
        return Result<void>{};
      }
      if (word.find('/') == std::string::npos)
        return Result<void>(fail(ErrorKind::input, "give a number of the list, or a path such as /dev/ttyUSB0"));
      port_ = word;
      return Result<void>{};
    });
  }

  /// The service would be asked for a port that it has itself; said before anything is tried.
  Result<void> refuse_recorded() {
    const auto settings = context_.configuration();
    if (!settings || *settings == nullptr) return {};
    for (const config::MeterConfig& meter : (*settings)->meters) {
      std::error_code ignored;
      if (meter.port.empty() || !fs::equivalent(meter.port, port_, ignored)) continue;
      if (service_status(context_))
        return fail(ErrorKind::unusable, "the service is recording " + text::printable(port_) + " as the meter " +
                                             text::quoted(meter.name) +
                                             ": stop it first (systemctl stop nightwattd), or choose another port");
    }
    return {};
  }

  static std::string usual_folder() {
    const std::string system = "/etc/nightwatt";
    const bool may =
        ::access(system.c_str(), W_OK) == 0 || (::access(system.c_str(), F_OK) != 0 && ::access("/etc", W_OK) == 0);
    return may ? system : "nightwatt";
  }

  Result<void> choose_folder() {
    folder_ = arguments_.out.value_or(usual_folder());
    if (arguments_.out) return {};
    const auto asked = talk_.ask("Write config and profile into the folder", folder_);
    if (!asked) return tl::unexpected(asked.error());
    folder_ = *asked;
    return {};
  }

  /// Behind the folder: what is taken hangs on it, and would be refused at the very end.
  Result<void> choose_name() {
    const auto take = [&](const std::string& word) {
      name_ = word;
      if (!arguments_.overwrite && talk_.asks() && setup::is_taken(folder_, word))
        return Result<void>(fail(ErrorKind::input, name_is_taken(word)));
      return text::check_text("the name", word, setup::longest_name);
    };
    if (arguments_.name && take(*arguments_.name)) return {};
    if (arguments_.name) talk_.say(name_is_taken(*arguments_.name));
    return talk_.ask_until("A name for the meter", arguments_.overwrite ? "bench" : setup::free_name(folder_), take);
  }

  [[nodiscard]] std::string name_is_taken(const std::string& name) const {
    return "there is a meter or a profile " + text::quoted(name) + " in " + text::printable(folder_) +
           " already; give another name";
  }

  Result<setup::OldConfig> old_config() {
    if (arguments_.add) return setup::OldConfig::add;
    if (arguments_.overwrite) return setup::OldConfig::replace;
    const std::string config = (fs::path(folder_) / "nightwatt.toml").string();
    if (!talk_.asks() || !fs::exists(config)) return setup::OldConfig::refuse;
    const auto wanted = talk_.agree(text::printable(config) + " is there already. Add this meter to it?");
    if (!wanted) return tl::unexpected(wanted.error());
    return *wanted ? setup::OldConfig::add : setup::OldConfig::refuse;
  }

  Outcome write() {
    const auto old = old_config();
    if (!old) return tl::unexpected(old.error());
    std::error_code ignored;
    // A relative port would be looked for beside the config.
    const std::string port = fs::path(port_).is_absolute() ? port_ : fs::absolute(port_, ignored).string();
    chosen_.profile.name = setup::file_name(name_);
    const auto written = setup::write_files(folder_, {name_, port, chosen_.profile, chosen_.head}, *old);
    if (!written) return tl::unexpected(written.error());
    if (context_.json) {
      JsonWriter json(context_.out);
      json.begin_document().field("config", written->config).field("profile", written->profile);
      if (!written->added.empty()) json.field("added", written->added);
      json.field("meter", name_)
          .field("port", port)
          .field("baud", static_cast<std::int64_t>(chosen_.profile.line.baud));
      json.field("protocol", chosen_.profile.protocol_name()).field("power_w", chosen_.power_w).end_object();
      context_.out.write("\n");
      return 0;
    }
    say_next(*written);
    return 0;
  }

  void say_next(const setup::Written& written) {
    const std::string config = text::printable(written.config);
    const std::string wrote =
        written.added.empty() ? config : text::printable(written.added) + ", which adds to " + config;
    talk_.say("\nWrote " + wrote + ", and " + text::printable(written.profile) +
              "; both were read back by the service's own parser.");
    const bool system = fs::path(folder_).lexically_normal() == "/etc/nightwatt";
    const std::string option = system ? "" : " --config " + config;
    talk_.say("Next: " + (system ? "systemctl restart nightwattd" : "nightwattd" + option) + "\n      nightwatt" +
              option + " status --follow\nThen plug the device into the meter, and in the morning: nightwatt" + option +
              " summary last");
  }

  Context& context_;
  const SetupArguments& arguments_;
  std::string discarded_;
  Sink unheard_{discarded_};
  Dialogue talk_;
  std::string port_;
  ChosenMeter chosen_;
  std::string name_;
  std::string folder_;
};

}  // namespace

Outcome run(Context& context, const SetupArguments& arguments) {
  return Setup(context, arguments).run();
}

}  // namespace nightwatt::query
