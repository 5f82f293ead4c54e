// The grammar of the outside contract's "The programs".
#include <catch2/catch.hpp>
#include <sstream>

#include "tools/query/command_line.hpp"

using namespace nightwatt;
using namespace nightwatt::query;

namespace {

CommandLine parsed(const Words& words) {
  auto line = parse_command_line(words);
  if (!line) FAIL(line.error().message);
  return *line;
}

std::string refused(const Words& words) {
  const auto line = parse_command_line(words);
  REQUIRE_FALSE(line);
  CHECK(line.error().kind == ErrorKind::input);
  CHECK(line.error().message.find('\n') == std::string::npos);
  return line.error().message;
}

}  // namespace

TEST_CASE("global options are taken before and after the command") {
  for (const Words& words : {Words{"--store", "a.db", "--json", "--no-color", "--config", "c.toml", "summary", "last"},
                             Words{"summary", "last", "--store", "a.db", "--json", "--no-color", "--config", "c.toml"},
                             Words{"--json", "summary", "--store=a.db", "last", "--no-color", "--config=c.toml"}}) {
    const CommandLine line = parsed(words);
    CHECK(line.options.store == "a.db");
    CHECK(line.options.config == "c.toml");
    CHECK(line.options.json);
    CHECK(line.options.no_color);
    CHECK(std::get<SummaryArguments>(line.command).run == "last");
  }
}

TEST_CASE("every command of the contract is known with its words") {
  CHECK(std::holds_alternative<StatusArguments>(parsed({"status"}).command));
  CHECK(std::holds_alternative<PortsArguments>(parsed({"ports"}).command));
  CHECK(std::holds_alternative<CheckArguments>(parsed({"check"}).command));
  const auto begin = std::get<BeginArguments>(
      parsed({"begin", "Gannet board", "--meter", "bench", "--note", "n", "--includes", "adapter,display", "--set",
              "battery=full", "--set", "ambient_c=21", "--at", "1767646800"})
          .command);
  CHECK(begin.device == "Gannet board");
  CHECK(begin.meter == "bench");
  CHECK(begin.note == "n");
  CHECK(begin.includes == "adapter,display");
  CHECK(begin.set == Words{"battery=full", "ambient_c=21"});
  CHECK(begin.at == "1767646800");
  CHECK(std::get<BeginArguments>(parsed({"begin", "--set", "a=b", "Gannet board"}).command).device == "Gannet board");
  CHECK(std::get<EndArguments>(parsed({"end", "--meter", "bench", "--at", "5"}).command).meter == "bench");
  CHECK(std::get<NameArguments>(parsed({"name", "3", "Skua tower"}).command).device == "Skua tower");
  const auto mark =
      std::get<MarkArguments>(parsed({"mark", "lid shut", "--run", "3", "--at", "5", "--kind", "standby"}).command);
  CHECK(mark.text == "lid shut");
  CHECK(mark.kind == "standby");
  CHECK(std::get<RunsArguments>(parsed({"runs", "--device", "d", "--since", "5"}).command).since == "5");
  CHECK(std::get<SegmentsArguments>(parsed({"segments", "last"}).command).run == "last");
  CHECK(std::get<CompareArguments>(parsed({"compare"}).command).runs.empty());
  CHECK(std::get<CompareArguments>(parsed({"compare", "1", "last"}).command).runs == Words{"1", "last"});
  CHECK(std::get<TraceArguments>(parsed({"trace", "1", "--from", "5", "--to", "6"}).command).to == "6");
  const auto import =
      std::get<ImportArguments>(parsed({"import", "f.csv", "--device", "d", "--resolution", "0.1", "--accuracy",
                                        "1% + 0.05W", "--starting", "0.4", "--missing-below", "-0.5"})
                                    .command);
  CHECK(import.accuracy == "1% + 0.05W");
  CHECK(import.missing_below == "-0.5");
  const auto out = std::get<ExportArguments>(parsed({"export", "--meter", "m", "--from", "5", "--to", "6"}).command);
  CHECK_FALSE(out.run);
  CHECK(out.meter == "m");
  CHECK(std::get<ExportArguments>(parsed({"export", "3", "--format", "json"}).command).format == "json");
  CHECK(std::get<DecodeArguments>(parsed({"decode", "f", "--profile", "p"}).command).profile == "p");
  CHECK(std::get<EnterArguments>(parsed({"enter", "d", "--idle", "8", "--load", "26"}).command).load == "26");
  CHECK(std::get<SplitArguments>(parsed({"split", "3", "--at", "5"}).command).at == "5");
  CHECK(std::get<PinArguments>(parsed({"pin", "3"}).command).run == "3");
  CHECK(std::get<DropArguments>(parsed({"drop", "3"}).command).run == "3");
  CHECK(std::get<DropArguments>(parsed({"forget", "3"}).command).old_word);
}

TEST_CASE("wrong use is one line that names the help to read") {
  CHECK(refused({}) == "no command given; see nightwatt --help");
  CHECK_THAT(refused({"brew"}), Catch::Contains("nightwatt --help"));
  CHECK_THAT(refused({"summary"}), Catch::Contains("RUN") && Catch::Contains("nightwatt summary --help"));
  CHECK_THAT(refused({"summary", "1", "2"}), Catch::Contains("nightwatt summary --help"));
  CHECK_THAT(refused({"runs", "--depth", "3"}), Catch::Contains("nightwatt runs --help"));
  CHECK_THAT(refused({"split", "3"}), Catch::Contains("--at"));
  CHECK_THAT(refused({"\x1b[2J"}), !Catch::Contains("\x1b"));
}

TEST_CASE("the usage line of every command can be typed as it stands") {
  std::istringstream help(parsed({"--help"}).text);
  int commands = 0;
  bool listed = false;
  for (std::string line; std::getline(help, line);) {
    if (line.empty()) listed = false;
    if (listed && line[2] != ' ') {
      const std::string command = line.substr(2, line.find(' ', 2) - 2);
      CHECK_THAT(parsed({command, "--help"}).text, Catch::Contains("\nUsage: nightwatt " + command + " [OPTIONS]"));
      ++commands;
    }
    if (line == "Subcommands:") listed = true;
  }
  CHECK(commands > 20);
}

TEST_CASE("help and version are text, not errors") {
  CHECK_THAT(parsed({"--help"}).text, Catch::Contains("summary") && Catch::Contains("Exit status"));
  CHECK_THAT(parsed({"import", "--help"}).text, Catch::Contains("--missing-below"));
  CHECK_THAT(parsed({"--version"}).text, Catch::StartsWith("nightwatt "));
}
