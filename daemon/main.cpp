// nightwattd: the recording service.
#include <getopt.h>
#include <malloc.h>
#include <spdlog/logger.h>
#include <spdlog/sinks/stdout_sinks.h>

#include <csignal>
#include <iostream>
#include <memory>
#include <optional>
#include <string>

#include "config/config.hpp"
#include "daemon/control.hpp"
#include "daemon/control_request.hpp"
#include "daemon/machine_clock.hpp"
#include "daemon/service.hpp"
#include "daemon/system_environment.hpp"
#include "daemon/system_port.hpp"
#include "drivers/protocols.hpp"
#include "mirror/mirror.hpp"
#include "publish/publisher.hpp"

namespace {

using namespace nightwatt;

constexpr int exit_done = 0;
constexpr int exit_check_failed = 1;
constexpr int exit_wrong_use = 2;
constexpr int exit_unusable = 3;

constexpr const char* usage =
    "usage: nightwattd [--config FILE] [--foreground] [--check] | --version | --help\n"
    "  --config FILE  settings; else $NIGHTWATT_CONFIG, else /etc/nightwatt/nightwatt.toml\n"
    "  --foreground   for a terminal: log lines carry the time; else they carry a level for the journal\n"
    "  --check        say what is wrong in the config and where; exit status 0 or 1\n"
    "  --version      say which version this is; -h, --help: this\n"
    "It never goes into the background by itself: a service manager or a terminal keeps it.\n";

struct Options {
  std::optional<std::string> config;
  bool foreground = false;
  bool check = false;
  bool help = false;
  bool version = false;
};

std::optional<Options> parse_options(int argc, char** argv) {
  constexpr int config = 'c', foreground = 'f', check = 'k', help = 'h', version = 'v';
  static const option known[] = {
      {"config", required_argument, nullptr, config}, {"foreground", no_argument, nullptr, foreground},
      {"check", no_argument, nullptr, check},         {"help", no_argument, nullptr, help},
      {"version", no_argument, nullptr, version},     {nullptr, 0, nullptr, 0}};
  Options options;
  opterr = 0;
  for (;;) {
    const int found = getopt_long(argc, argv, "h", known, nullptr);
    if (found == -1) break;
    if (found == config)
      options.config = optarg;
    else if (found == foreground)
      options.foreground = true;
    else if (found == check)
      options.check = true;
    else if (found == help)
      options.help = true;
    else if (found == version)
      options.version = true;
    else
      return std::nullopt;
  }
  if (optind != argc) return std::nullopt;
  return options;
}

/// A running service knows what a port says where that does not fit the profile; without one there is nothing to say.
void hint_at_misfits(const std::string& socket) {
  constexpr double timeout_s = 1.0;
  const auto answer = daemon::control_call(socket, *daemon::request_line(daemon::StatusRequest{}), timeout_s);
  if (!answer) return;
  for (const auto& [meter, trouble] : daemon::troubles_of(*answer))
    std::cerr << "hint: the meter " << meter << ": " << trouble << '\n';
}

int check(const std::string& file) {
  const std::vector<Error> problems = config::check_config(file, drivers::protocol_readers());
  for (const Error& problem : problems) std::cerr << problem.message << '\n';
  if (!problems.empty()) return exit_check_failed;
  if (const auto settings = config::load_config(file, drivers::protocol_readers())) {
    for (const std::string& warning : settings->warnings) std::cerr << "warning: " << warning << '\n';
    hint_at_misfits(settings->control_socket);
  }
  std::cout << file << ": good\n";
  return exit_done;
}

// In the foreground a line carries its time; under a service manager the level as sd-daemon(3) has it, and the journal
// adds the time.
daemon::LogSink make_log(bool foreground) {
  auto logger = std::make_shared<spdlog::logger>("nightwattd", std::make_shared<spdlog::sinks::stderr_sink_mt>());
  logger->set_pattern(foreground ? "%Y-%m-%d %H:%M:%S.%e %l: %v" : "%v");
  logger->flush_on(spdlog::level::trace);
  return [logger, foreground](daemon::LogLevel level, std::string_view text) {
    struct Names {
      spdlog::level::level_enum level;
      const char* journal;
    };
    const Names names = level == daemon::LogLevel::error     ? Names{spdlog::level::err, "<3>"}
                        : level == daemon::LogLevel::warning ? Names{spdlog::level::warn, "<4>"}
                                                             : Names{spdlog::level::info, "<6>"};
    logger->log(names.level, "{}{}", foreground ? "" : names.journal, text);
  };
}

/// What stands beside the service and only reads its store, as the config asks for it; begun anew where it asks for
/// another.
class Beside {
 public:
  explicit Beside(daemon::LogSink log) : log_(std::move(log)) {}

  void take(const config::ServiceConfig& config) {
    std::optional<mirror::MirrorSettings> mirror;
    if (config.mirror.on()) mirror = {config.mirror.database, config.mirror.rig, config.store.path};
    begin_anew(mirror_, mirror);
    begin_anew(publisher_, publishing(config));
  }

  [[nodiscard]] std::optional<daemon::MirrorState> mirror() const {
    if (!mirror_) return std::nullopt;
    const mirror::MirrorStatus status = mirror_->status();
    std::optional<double> behind_s;
    if (status.last_good) behind_s = to_seconds(*status.last_good).value;
    return daemon::MirrorState{status.connected, status.copied, behind_s, status.trouble};
  }

 private:
  /// None, after saying why, where the password cannot be had.
  [[nodiscard]] std::optional<publish::PublishSettings> publishing(const config::ServiceConfig& config) const {
    const config::PublishConfig& wanted = config.publish;
    if (!wanted.on()) return std::nullopt;
    const auto password = config::publish_password(wanted);
    if (!password) {
      log_(daemon::LogLevel::error, "not publishing: " + password.error().message);
      return std::nullopt;
    }
    return publish::PublishSettings{wanted.host, wanted.port,    wanted.tls,   wanted.ca_file, wanted.user,
                                    *password,   wanted.version, wanted.topic, wanted.rig,     config.store.path};
  }

  template <class Program, class Settings>
  void begin_anew(std::unique_ptr<Program>& running, const std::optional<Settings>& wanted) {
    if (running && wanted && running->settings() == *wanted) return;
    if (running) running->let_go();
    running.reset();
    if (!wanted) return;
    running = std::make_unique<Program>(*wanted, [log = log_](typename Program::Tone tone, const std::string& text) {
      log(tone == Program::Tone::warning ? daemon::LogLevel::warning : daemon::LogLevel::info, text);
    });
    running->start();
  }

  daemon::LogSink log_;
  std::unique_ptr<mirror::Mirror> mirror_;
  std::unique_ptr<publish::Publisher> publisher_;
};

int serve(const std::string& file, bool foreground) {
  auto settings = config::load_config(file, drivers::protocol_readers());
  if (!settings) {
    std::cerr << settings.error().message << '\n';
    return static_cast<int>(settings.error().kind);
  }
  const auto environment = daemon::make_system_environment(daemon::SystemPorts());
  daemon::SystemdSupervisor supervisor;
  const daemon::LogSink log = make_log(foreground);
  Beside beside(log);
  const config::ServiceConfig first = *settings;
  const auto reload = [file, &beside] {
    auto fresh = config::load_config(file, drivers::protocol_readers());
    if (fresh) beside.take(*fresh);
    return fresh;
  };
  auto service = daemon::Service::make(
      std::move(*settings),
      {*environment, supervisor, log, reload, true, [&beside] { return beside.mirror(); }, daemon::machine_boot()});
  if (!service) {
    std::cerr << service.error().message << '\n';
    return static_cast<int>(service.error().kind);
  }
  beside.take(first);  // once the store is there
  return (*service)->run() ? exit_done : exit_unusable;
}

}  // namespace

int main(int argc, char** argv) {
  // Two threads that allocate little: one arena, and freed memory goes back early.
  mallopt(M_ARENA_MAX, 1);
  mallopt(M_TRIM_THRESHOLD, 128 * 1024);
  std::signal(SIGPIPE, SIG_IGN);
  const auto options = parse_options(argc, argv);
  if (!options) {
    std::cerr << "nightwattd: wrong use; see nightwattd --help\n";
    return exit_wrong_use;
  }
  if (options->help) {
    std::cout << usage;
    return exit_done;
  }
  if (options->version) {
    std::cout << "nightwattd " NIGHTWATT_VERSION "\n";
    return exit_done;
  }
  const std::string file = config::config_path(options->config);
  return options->check ? check(file) : serve(file, options->foreground);
}
