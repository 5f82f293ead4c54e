#include "command_line.hpp"

#include <CLI/App.hpp>
#include <CLI/Config.hpp>
#include <CLI/Formatter.hpp>
#include <algorithm>

#include "grammar.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

std::string one_line(std::string message) {
  std::replace(message.begin(), message.end(), '\n', ' ');
  while (!message.empty() && message.back() == ' ') message.pop_back();
  return text::printable(message);
}

const CLI::App* chosen(const CLI::App& app) {
  const auto subcommands = app.get_subcommands();
  return subcommands.empty() ? &app : subcommands.front();
}

}  // namespace

Result<CommandLine> parse_command_line(std::span<const std::string> words) {
  CommandLine line;
  CLI::App app("Asks a Nightwatt store what a device draws, and tells the service what is plugged in.", "nightwatt");
  app.fallthrough();
  app.require_subcommand(1);
  app.set_version_flag("--version", std::string("nightwatt ") + NIGHTWATT_VERSION);
  add_commands(app, line);
  app.footer(
      "nightwatt COMMAND --help says more. RUN is a run's number, or last. Exit status: 0 done, 1 the answer is no,\n"
      "2 wrong use or a bad input file, 3 the store or the service could not be used.");
  // A task's own words are not for the parser, which reads brackets and commas into them.
  const auto dashes = std::find(words.begin(), words.end(), "--");
  const bool task = dashes != words.end() && std::find(words.begin(), dashes, "during") != dashes;
  std::vector<std::string> reversed(words.begin(), task ? dashes : words.end());
  std::reverse(reversed.begin(), reversed.end());  // as CLI11 wants it
  try {
    app.parse(std::move(reversed));
  } catch (const CLI::CallForVersion& version) {
    line.text = std::string(version.what()) + "\n";
  } catch (const CLI::CallForHelp&) {
    line.text = app.help();  // of the command that was chosen, with the program before its name
  } catch (const CLI::CallForAllHelp&) {
    line.text = app.help("", CLI::AppFormatMode::All);
  } catch (const CLI::ParseError& error) {
    const CLI::App* sub = chosen(app);
    const std::string help = sub == &app ? "nightwatt --help" : "nightwatt " + sub->get_name() + " --help";
    // The parser asks for a command before it looks at words it cannot place.
    const std::vector<std::string> unplaced = app.remaining();
    if (sub == &app && unplaced.empty() && error.get_name() == "RequiredError")
      return fail(ErrorKind::input, "no command given; see " + help);
    if (sub == &app && !unplaced.empty())
      return fail(ErrorKind::input,
                  "there is no command or option " + text::quoted(unplaced.front()) + "; see " + help);
    return fail(ErrorKind::input, one_line(error.what()) + "; see " + help);
  }
  if (auto* during = std::get_if<DuringArguments>(&line.command)) {
    if (task) during->command.assign(dashes + 1, words.end());
    if (!task || during->command.empty())
      return fail(ErrorKind::input,
                  "during needs a command after --: nightwatt during LABEL -- COMMAND; see nightwatt during --help");
  }
  return line;
}

}  // namespace nightwatt::query
