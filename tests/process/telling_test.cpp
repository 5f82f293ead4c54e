// Told at night: programs that are run and addresses that are posted to, good ones and bad ones, while the record goes
// on.
#include <netdb.h>
#include <sys/stat.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <csignal>
#include <filesystem>
#include <sstream>

#include "comparison.hpp"
#include "harness.hpp"

namespace nightwatt::process {
namespace {

using Json = nlohmann::json;

constexpr double late_limit_s = 1.0;
// Runs by hand alone: on a slow machine an automatic one opens before `begin`, which ends it, and that is told too.
constexpr const char* meter_settings = "shortest_segment_s = 1\nauto_runs = false";

void write_hook(const Bench& bench, const std::string& name, const std::string& body) {
  bench.dir().write(name, "#!/bin/sh\n" + body);
  ::chmod(bench.dir().path(name).c_str(), 0755);
}

void add_to_config(const Bench& bench, const std::string& text) {
  bench.dir().write("nightwatt.toml", bench.dir().read("nightwatt.toml") + text);
}

std::vector<Json> json_lines(const std::string& text) {
  std::vector<Json> result;
  std::istringstream stream(text);
  for (std::string line; std::getline(stream, line);)
    if (auto json = Json::parse(line, nullptr, false); json.is_object()) result.push_back(std::move(json));
  return result;
}

long count_of(const std::vector<Json>& messages, const std::string& event) {
  return std::count_if(messages.begin(), messages.end(), [&](const Json& m) { return m.at("event") == event; });
}

std::string log_of(const Bench& bench) {
  return bench.dir().read("nightwattd.out") + bench.dir().read("nightwattd.err");
}

/// A system put together by hand may lack /etc/hosts.
bool has_address(const char* name) {
  addrinfo* found = nullptr;
  if (::getaddrinfo(name, nullptr, nullptr, &found) != 0) return false;
  ::freeaddrinfo(found);
  return true;
}

/// A python program that takes webhooks, on a port of its own.
class Receiver {
 public:
  Receiver(const Bench& bench, const std::string& name, std::vector<std::string> behaviours)
      : bench_(bench), requests_(name + ".requests") {
    const std::string port_file = bench.dir().path(name + ".port");
    std::vector<std::string> arguments = {NIGHTWATT_WEB_RECEIVER, port_file, bench.dir().path(requests_)};
    arguments.insert(arguments.end(), behaviours.begin(), behaviours.end());
    program_ = std::make_unique<Program>(bench.dir(), "/usr/bin/python3", arguments);
    REQUIRE(eventually(10.0, [&] { return std::filesystem::exists(port_file); }));
    port_ = bench.dir().read(name + ".port");
  }
  [[nodiscard]] std::string address(const std::string& host = "127.0.0.1") const {
    return "http://" + host + ":" + port_ + "/hook";
  }
  [[nodiscard]] std::vector<Json> requests() const { return json_lines(bench_.dir().read(requests_)); }

 private:
  const Bench& bench_;
  std::string requests_;
  std::string port_;
  std::unique_ptr<Program> program_;
};

}  // namespace

TEST_CASE("a hook is told on standard input and in its environment that a meter fell silent, came back, a run ended") {
  Bench bench(line_profile(), meter_settings);
  write_hook(bench, "hook.sh",
             "cat >> " + bench.dir().path("told") + "\necho \"$NIGHTWATT_EVENT|$NIGHTWATT_METER|" +
                 "$NIGHTWATT_DEVICE|$1|$NOTIFY_SOCKET\" >> " + bench.dir().path("seen") + "\n");
  // The second argument would run a command if a shell ever saw it.
  add_to_config(bench, "[[tell]]\ncommand = [\"./hook.sh\", \"$(touch pwned)\"]\nsilent_s = 1\n");
  const std::string device = "Gannet \"; touch pwned; $(touch pwned) 'x' <b>";
  bench.start_meter("noise white 0.4\nlevel 25 for 2h\nat 100 silence 100\n", 40.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 5; }));
  REQUIRE(bench.ask({"begin", device}).status == 0);
  const auto told = [&] { return json_lines(bench.dir().read("told")); };
  CHECK(eventually(20.0, [&] { return count_of(told(), "back") == 1; }));
  REQUIRE(bench.ask({"end"}).status == 0);
  CHECK(eventually(10.0, [&] { return count_of(told(), "run_ended") == 1; }));
  CHECK(count_of(told(), "silent") == 1);
  for (const Json& message : told()) {
    INFO(message.dump());
    CHECK(message.at("meter") == "bench");
    CHECK(message.at("seconds").get<double>() >= 1.0);
    if (message.at("event") == "run_ended") CHECK(message.at("device") == device);
  }
  const std::string last = "run_ended|bench|" + device + "|$(touch pwned)|\n";
  const bool seen = eventually(10.0, [&] { return bench.dir().read("seen").find(last) != std::string::npos; });
  CAPTURE(bench.dir().read("seen"));
  CHECK(seen);
  CHECK_FALSE(std::filesystem::exists(bench.dir().path("pwned")));
  CHECK_FALSE(std::filesystem::exists("pwned"));
  CHECK(eventually(5.0, [&] {
    const auto answer = bench.ask({"--json", "status"}).json();
    return answer.contains("tell") && answer["tell"]["told"] == 3;
  }));
  CHECK(bench.stop_service() == 0);
}

TEST_CASE(
    "hooks that hang, fail and do not exist, and webhooks that hang, answer 500 and talk nonsense cost no reading") {
  Bench bench(line_profile(), meter_settings);
  const Receiver hangs(bench, "hangs", {"hang"});
  const Receiver refuses(bench, "refuses", {"500"});
  const Receiver babbles(bench, "babbles", {"garbage"});
  write_hook(bench, "hang.sh", "sleep 1234 &\necho $! $$ >> " + bench.dir().path("pids") + "\nsleep 1234\n");
  write_hook(bench, "fail.sh", "echo 'no modem' >&2\nhead -c 100000 /dev/zero\nexit 7\n");
  const std::string settings = "silent_s = 1\ntimeout_s = 0.5\ntries = 1\n";
  add_to_config(bench, "[[tell]]\ncommand = [\"./hang.sh\"]\n" + settings + "[[tell]]\ncommand = [\"./fail.sh\"]\n" +
                           settings + "[[tell]]\ncommand = [\"./none.sh\"]\n" + settings + "[[tell]]\nwebhook = \"" +
                           hangs.address() + "\"\n" + settings + "[[tell]]\nwebhook = \"" + refuses.address() + "\"\n" +
                           settings + "[[tell]]\nwebhook = \"" + babbles.address() + "\"\n" + settings);
  bench.start_meter("voltage 229.8 noise 0.3\nnoise white 0.4\nenergy 12.5\nlevel 25 for 2h\nat 50 silence 100\n",
                    40.0);
  bench.start_service();
  const double from_s = unix_now_s();
  REQUIRE(eventually(20.0, [&] {
    const auto answer = bench.ask({"--json", "status"}).json();
    return answer.contains("tell") && answer["tell"]["given_up"] == 12;  // silent and back, six receivers
  }));
  const std::string log = log_of(bench);
  CAPTURE(log);
  CHECK_THAT(log, Catch::Contains("hang.sh: given up after 1 tries: not done in its time: killed"));
  CHECK_THAT(log, Catch::Contains("fail.sh: given up after 1 tries: exit status 7, saying: no modem"));
  CHECK_THAT(log, Catch::Contains("none.sh: given up after 1 tries: cannot be run"));
  CHECK_THAT(log, Catch::Contains("no answer in its time"));
  CHECK_THAT(log, Catch::Contains("answered 500"));
  CHECK_THAT(log, Catch::Contains("no answer that can be read"));
  const double until_s = unix_now_s() - 0.5;
  REQUIRE(eventually(5.0, [&] { return bench.sent().back().unix_s > until_s + 1.0; }));
  CHECK(bench.stop_service() == 0);

  const auto sent = bench.sent();
  const auto stored = bench.stored();
  const Comparison comparison = compare(sent, stored, late_limit_s);
  CHECK(comparison.problem == "");
  CHECK(not_stored(sent, comparison, from_s, until_s).empty());
  CHECK(comparison.found.size() > 50);
  // The whole group is gone, the child in the background too.
  std::istringstream pids(bench.dir().read("pids"));
  for (pid_t pid = 0; pids >> pid;) {
    INFO(pid);
    CHECK(eventually(2.0, [pid] {
      return ::kill(pid, 0) != 0 || !std::filesystem::exists("/proc/" + std::to_string(pid) + "/exe");
    }));
  }
}

TEST_CASE("a webhook that answers 500 first is told again, by its name too, and once it answered 200 no more") {
  Bench bench(line_profile(), meter_settings);
  const Receiver receiver(bench, "receiver", {"500", "ok"});
  const std::string host = has_address("localhost") ? "localhost" : "127.0.0.1";
  if (host != "localhost") WARN("SKIPPED: the name localhost has no address here (/etc/hosts); told by number alone");
  add_to_config(bench, "[[tell]]\nwebhook = \"" + receiver.address(host) + "\"\nevents = [\"run_ended\"]\n");
  bench.start_meter("noise white 0.4\nlevel 25 for 2h\n", 40.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 5; }));
  REQUIRE(bench.ask({"begin", "Skua tower"}).status == 0);
  REQUIRE(bench.ask({"end"}).status == 0);
  const auto counts = [&] { return bench.ask({"--json", "status"}).json().value("tell", Json::object()); };
  REQUIRE(eventually(15.0, [&] { return counts().value("told", 0) == 1; }));  // the second try comes after 5 s
  CHECK(counts() == Json({{"told", 1}, {"failed", 1}, {"given_up", 0}, {"waiting", 0}}));
  const auto requests = receiver.requests();
  REQUIRE(requests.size() == 2);
  CHECK(requests[0] == requests[1]);
  CHECK(requests[0]["path"] == "/hook");
  CHECK(requests[0]["type"] == "application/json");
  CHECK(requests[0]["body"]["device"] == "Skua tower");
  CHECK(bench.stop_service() == 0);
}

TEST_CASE("the service stops at once while a hook and a webhook hang, and leaves no program behind") {
  Bench bench(line_profile(), meter_settings);
  const Receiver hangs(bench, "hangs", {"hang"});
  write_hook(bench, "hang.sh", "echo $$ > " + bench.dir().path("pid") + "\nexec sleep 1234\n");
  add_to_config(bench, "[[tell]]\ncommand = [\"./hang.sh\"]\ntimeout_s = 200\n[[tell]]\nwebhook = \"" +
                           hangs.address() + "\"\ntimeout_s = 200\n");
  bench.start_meter("noise white 0.4\nlevel 25 for 2h\n", 40.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 5; }));
  REQUIRE(bench.ask({"begin", "Skua tower"}).status == 0);
  REQUIRE(bench.ask({"end"}).status == 0);
  REQUIRE(eventually(10.0, [&] { return hangs.requests().size() == 1 && !bench.dir().read("pid").empty(); }));
  const pid_t pid = std::stoi(bench.dir().read("pid"));
  CHECK(bench.stop_service() == 0);
  CHECK(eventually(
      2.0, [pid] { return ::kill(pid, 0) != 0 || !std::filesystem::exists("/proc/" + std::to_string(pid) + "/exe"); }));
}

TEST_CASE("SIGHUP takes new receivers, and the old ones are told no more") {
  Bench bench(line_profile(), meter_settings);
  const std::string config = bench.dir().read("nightwatt.toml");
  const auto hook = [&](const std::string& name) {
    write_hook(bench, name + ".sh", "cat >> " + bench.dir().path(name) + "\n");
    return "[[tell]]\ncommand = [\"./" + name + ".sh\"]\nevents = [\"run_ended\"]\n";
  };
  bench.dir().write("nightwatt.toml", config + hook("first"));
  bench.start_meter("noise white 0.4\nlevel 25 for 2h\n", 40.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 5; }));
  const auto one_run = [&] {
    REQUIRE(bench.ask({"begin", "Skua tower"}).status == 0);
    REQUIRE(bench.ask({"end"}).status == 0);
  };
  const auto lines = [&](const std::string& name) { return json_lines(bench.dir().read(name)).size(); };
  one_run();
  CHECK(eventually(10.0, [&] { return lines("first") == 1; }));
  bench.dir().write("nightwatt.toml", config + hook("second"));
  bench.service().signal(SIGHUP);
  REQUIRE(eventually(10.0, [&] { return log_of(bench).find("config reloaded") != std::string::npos; }));
  one_run();
  CHECK(eventually(10.0, [&] { return lines("second") == 1; }));
  CHECK(lines("first") == 1);
  CHECK(bench.stop_service() == 0);
}

}  // namespace nightwatt::process
