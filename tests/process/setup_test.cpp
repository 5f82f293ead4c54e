// From an unknown meter on a port to a first figure, with `setup` alone.
#include <catch2/catch.hpp>
#include <csignal>
#include <cstdlib>
#include <filesystem>

#include "harness.hpp"
#include "terminal_program.hpp"

namespace nightwatt::process {
namespace {

constexpr double target_s = 300.0;  // five minutes

/// Named values: a form that the harness's own profiles do not have.
const std::string pairs_profile = R"(protocol = "text-line"
line = { baud = 9600 }
interval_s = 1.0
[text-line]
form = "key-value"
[[read]]
quantity = "power"
field = "P"
resolution = 0.1
[[read]]
quantity = "voltage"
field = "U"
resolution = 0.1
)";

/// A folder with a simulated meter on a port, and nobody who knows what it is.
struct Unknown {
  TempDir dir;
  std::unique_ptr<Program> meter;
  Unknown(const std::string& profile, const std::string& script, double speed) {
    dir.write("meter.toml", profile);
    dir.write("script.sim", script);
    meter = std::make_unique<Program>(
        dir, "nightwatt-sim",
        std::vector<std::string>{"--profile", dir.path("meter.toml"), "--script", dir.path("script.sim"), "--link",
                                 dir.path("port"), "--speed", std::to_string(speed)});
    REQUIRE(eventually(10.0, [this] { return std::filesystem::is_symlink(dir.path("port")); }));
  }
  [[nodiscard]] std::string config() const { return dir.path("night/nightwatt.toml"); }
  [[nodiscard]] Answer ask(std::vector<std::string> words) const {
    words.insert(words.begin(), {"--config", config()});
    return run(dir, "nightwatt", words);
  }
  [[nodiscard]] Answer setup(std::vector<std::string> words) const {
    words.insert(words.begin(), {"setup", "--port", dir.path("port"), "--out", dir.path("night"), "--yes"});
    return run(dir, "nightwatt", words, 60.0);
  }
};

bool one_line(const std::string& text) {
  return !text.empty() && text.find('\n') == text.size() - 1;
}

}  // namespace

TEST_CASE("from an unknown text-line meter to a first figure in under five minutes, with setup alone") {
  const double begin_s = unix_now_s();
  const Unknown unknown(pairs_profile, "voltage 229.8 noise 0.3\nnoise white 0.2\nlevel 0 for 20\nlevel 25 for 4h\n",
                        20.0);
  TerminalProgram setup("nightwatt", {"setup"}, 100, 40);
  REQUIRE(setup.says("Which port? A number or a path", 10.0));
  setup.type(unknown.dir.path("port") + "\n");
  REQUIRE(setup.says("It prints lines of named values", 30.0));
  REQUIRE(setup.says("Which field is the power? [P]: ", 10.0));
  CHECK(setup.sent().find("voltage") != std::string::npos);
  setup.type("nonsense\n");
  REQUIRE(setup.says("Give one of the names", 5.0));
  setup.type("\n");
  REQUIRE(setup.says("In which unit? W, mW, kW, or the factor to W [W]: ", 5.0));
  setup.type("\n");
  REQUIRE(setup.says("Record these too: voltage", 5.0));
  setup.type("y\n");
  REQUIRE(setup.says("The step of its power readings in W", 5.0));
  setup.type("\n");
  REQUIRE(setup.says("Its accuracy by the manual", 5.0));
  setup.type("about right\n");
  setup.type("1% + 0.05W\n");
  REQUIRE(setup.says("Write config and profile into the folder", 5.0));
  setup.type(unknown.dir.path("night") + "\n");
  REQUIRE(setup.says("A name for the meter [bench]: ", 5.0));
  setup.type("\n");
  INFO(setup.sent());
  CHECK(setup.wait(10.0) == 0);
  CHECK(setup.sent().find("both were read back by the service's own parser") != std::string::npos);
  CHECK(setup.sent().find("status --follow") != std::string::npos);

  REQUIRE(run(unknown.dir, "nightwattd", {"--check", "--config", unknown.config()}).status == 0);
  Program service(unknown.dir, "nightwattd", {"--config", unknown.config(), "--foreground"});
  nlohmann::json summary;
  const bool has_figure = eventually(60.0, [&] {
    summary = unknown.ask({"--json", "summary", "last"}).json();
    return summary.is_object() && summary.contains("idle_w") && summary["idle_w"].is_number();
  });
  INFO(summary.dump());
  REQUIRE(has_figure);
  CHECK(summary["idle_w"].get<double>() == Approx(25.0).margin(0.5));
  CHECK(summary["idle_uncertainty_w"].get<double>() > 0.0);
  CHECK(unix_now_s() - begin_s < target_s);
  service.signal(SIGTERM);
  CHECK(service.wait(2.0) == 0);
}

TEST_CASE("with options alone setup asks nothing, and says in JSON what it wrote") {
  const Unknown unknown(line_profile(), "voltage 229.8 noise 0.3\nnoise white 0.4\nlevel 25 for 4h\n", 20.0);
  const Answer answer = unknown.setup({"--field", "2", "--name", "shelf", "--accuracy", "class B", "--json"});
  INFO(answer.err);
  REQUIRE(answer.status == 0);
  const auto json = answer.json();
  CHECK(json["meter"] == "shelf");
  CHECK(json["protocol"] == "text-line");
  CHECK(json["power_w"].get<double>() == Approx(25.0).margin(3.0));
  CHECK(run(unknown.dir, "nightwattd", {"--check", "--config", unknown.config()}).status == 0);
  // Nothing that is there is touched without a word for it.
  const std::string before = unknown.dir.read("night/nightwatt.toml");
  const Answer again = unknown.setup({"--field", "2", "--name", "shelf"});
  CHECK(again.status == 1);
  CHECK(one_line(again.err));
  CHECK(unknown.dir.read("night/nightwatt.toml") == before);
  // Before anything is listened to.
  const Answer taken = unknown.setup({"--field", "2", "--name", "shelf", "--add"});
  CHECK(taken.status == 2);
  CHECK_THAT(taken.err, Catch::Contains("\"shelf\"") && Catch::Contains("another name"));
  CHECK(unknown.setup({"--field", "2", "--name", "shelf", "--overwrite"}).status == 0);
}

TEST_CASE("setup finds a Modbus meter's speed, address and profile by asking") {
  ::setenv("NIGHTWATT_PROFILES", NIGHTWATT_PROFILE_SOURCE, 1);
  std::string profile = run({}, "/bin/cat", {std::string(NIGHTWATT_PROFILE_SOURCE) + "/modbus-float32.toml"}).out;
  profile.replace(profile.find("unit = 1"), 8, "unit = 2");
  const Unknown unknown(profile, "voltage 229.8\nlevel 25 for 4h\n", 1.0);
  const Answer answer = unknown.setup({"--json"});
  ::unsetenv("NIGHTWATT_PROFILES");
  INFO(answer.err);
  REQUIRE(answer.status == 0);
  CHECK(answer.json()["protocol"] == "modbus-rtu");
  CHECK(answer.json()["power_w"].get<double>() == Approx(25.0).margin(0.1));
  CHECK_THAT(unknown.dir.read("night/profiles/bench.toml"), Catch::Contains("unit = 2"));
  CHECK(run(unknown.dir, "nightwattd", {"--check", "--config", unknown.config()}).status == 0);
}

TEST_CASE("setup knows a meter that sends SML by what it hears") {
  ::setenv("NIGHTWATT_PROFILES", NIGHTWATT_PROFILE_SOURCE, 1);
  const Unknown unknown(run({}, "/bin/cat", {std::string(NIGHTWATT_PROFILE_SOURCE) + "/sml.toml"}).out,
                        "voltage 229.8\nlevel 25 for 4h\n", 4.0);
  const Answer answer = unknown.setup({"--json"});
  ::unsetenv("NIGHTWATT_PROFILES");
  INFO(answer.err);
  REQUIRE(answer.status == 0);
  CHECK(answer.json()["protocol"] == "sml");
  CHECK(answer.json()["power_w"].get<double>() == Approx(25.0).margin(0.6));
  CHECK(run(unknown.dir, "nightwattd", {"--check", "--config", unknown.config()}).status == 0);
}

TEST_CASE("a port that the service is recording is refused in one line, and the record goes on") {
  Bench bench(line_profile());
  bench.start_meter("noise white 0.4\nlevel 25 for 4h\n", 20.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 5; }));
  for (const std::vector<std::string>& where : {std::vector<std::string>{"--config", bench.config()}, {}}) {
    std::vector<std::string> words = where;
    words.insert(words.end(), {"setup", "--port", bench.dir().path("port"), "--out", bench.dir().path("x"), "--yes"});
    const Answer answer = run(bench.dir(), "nightwatt", words);
    INFO(answer.err);
    CHECK(answer.status == 3);
    CHECK(one_line(answer.err));
    CHECK_THAT(answer.err, Catch::Contains("stop"));
  }
  const long before = bench.readings();
  CHECK(eventually(10.0, [&] { return bench.readings() >= before + 10; }));
  CHECK_FALSE(std::filesystem::exists(bench.dir().path("x")));
}

TEST_CASE("what setup cannot use is one line, and nothing is written") {
  const Unknown unknown(line_profile(), "noise white 0.4\nlevel 25 for 4h\n", 20.0);
  const auto refused = [&](const std::vector<std::string>& more, int status, const std::string& part) {
    const Answer answer = unknown.setup(more);
    INFO(answer.err << " after " << more[0]);
    CHECK(answer.status == status);
    CHECK(one_line(answer.err));
    CHECK_THAT(answer.err, Catch::Contains(part));
    CHECK_FALSE(std::filesystem::exists(unknown.dir.path("night")));
  };
  refused({"--baud", "fast"}, 2, "--baud");
  refused({"--baud", "3.5"}, 2, "--baud");
  refused({"--form", "xml"}, 2, "--form");
  refused({"--form", "csv", "--checksum", "crc"}, 2, "--checksum");
  refused({"--unit", "horses"}, 2, "--unit");
  refused({"--accuracy", "good"}, 2, "--accuracy");
  refused({"--resolution", "0"}, 2, "--resolution");
  refused({"--name", ""}, 2, "--name");
  refused({"--add", "--overwrite"}, 2, "--add");
  refused({"--field", "9"}, 1, "there is no number in a field");
  CHECK(run(unknown.dir, "nightwatt", {"setup", "--port", unknown.dir.path("port")}).status == 2);  // nobody to ask
  const Answer missing =
      run(unknown.dir, "nightwatt",
          {"setup", "--port", unknown.dir.path("nowhere"), "--out", unknown.dir.path("night"), "--yes"});
  CHECK(missing.status == 3);
  CHECK(one_line(missing.err));
  unknown.dir.write("file", "");
  const Answer no_folder =
      run(unknown.dir, "nightwatt",
          {"setup", "--port", unknown.dir.path("port"), "--field", "2", "--out", unknown.dir.path("file/x"), "--yes"},
          60.0);
  CHECK(no_folder.status == 3);
  CHECK(one_line(no_folder.err));
}

}  // namespace nightwatt::process
