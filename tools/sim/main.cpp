// nightwatt-sim: a meter for tests and demonstrations, on a pseudo-terminal.
#include <CLI/CLI.hpp>
#include <iostream>

#include "config/config.hpp"
#include "csv_dump.hpp"
#include "drivers/protocols.hpp"
#include "measure/signal/time_text.hpp"
#include "player.hpp"

namespace {

using namespace nightwatt;

constexpr double highest_speed = 10'000.0;  // beyond it a millisecond of delay is ten simulated seconds

struct Options {
  std::string profile;
  std::string script;
  std::string begin = "2026-01-05T21:00:00Z";
  sim::PlayerSettings player;
  std::uint64_t seed = 1;
  double interval_s = 1.0;
  bool csv = false;
};

int complain(const Error& error) {
  std::cerr << "nightwatt-sim: " << error.message << '\n';
  return static_cast<int>(error.kind);
}

int dump(const Options& options, sim::Script script) {
  const auto begin = parse_time(options.begin);
  if (!begin) return complain(begin.error());
  sim::dump_csv(sim::Model(std::move(script), options.seed), *begin, options.interval_s, std::cout);
  std::cout.flush();
  return std::cout ? 0 : complain({ErrorKind::unusable, "standard output cannot be written"});
}

int play(const Options& options, const sim::Script& script) {
  if (options.profile.empty() || options.player.link.empty())
    return complain({ErrorKind::input, "say --profile and --link, or --csv"});
  const auto profile = config::load_profile(options.profile, ".", drivers::protocol_readers());
  if (!profile) return complain(profile.error());
  auto meter = sim::make_meter(*profile, script, options.seed);
  if (!meter) return complain(meter.error());
  const auto done = sim::Player(std::move(*meter), script, options.player).run();
  return done ? 0 : complain(done.error());
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  CLI::App app("Plays a meter of any profile on a pseudo-terminal, from a script of levels, ramps, noise and faults.",
               "nightwatt-sim");
  app.set_version_flag("--version", std::string("nightwatt-sim ") + NIGHTWATT_VERSION);
  app.add_option("--script", options.script, "what the meter sees and suffers; docs/simulator.md")->required();
  app.add_option("--profile", options.profile, "the meter's profile: a file, or an installed one's name");
  app.add_option("--link", options.player.link, "the port's name: a link to the pseudo-terminal");
  app.add_option("--speed", options.player.speed, "simulated seconds a second")->check(CLI::Range(0.01, highest_speed));
  app.add_option("--seed", options.seed, "of all noise; the same seed gives the same meter");
  app.add_option("--log", options.player.log, "a file that gets a line for every frame sent");
  app.add_flag("--once", options.player.once, "end with the script instead of holding its last level");
  app.add_flag("--csv", options.csv, "print the script as a CSV for `nightwatt import`; no port");
  app.add_option("--interval", options.interval_s, "seconds between two lines of --csv")
      ->check(CLI::Range(0.001, 3600.0));
  app.add_option("--begin", options.begin, "instant of the first line of --csv");
  try {
    app.parse(argc, argv);
  } catch (const CLI::Success& success) {
    return app.exit(success);
  } catch (const CLI::ParseError& error) {
    return complain({ErrorKind::input, error.what()});
  }
  auto script = sim::load_script(options.script);
  if (!script) return complain(script.error());
  return options.csv ? dump(options, std::move(*script)) : play(options, *script);
}
