// Bad input to the real programs: one line, the contract's exit status, nothing half-written.
#include <catch2/catch.hpp>
#include <filesystem>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

using namespace std::string_literals;  // a literal with NUL in it knows its own length

void check_refused(const Answer& answer, int status, const std::string& names) {
  CAPTURE(answer.status, answer.err.substr(0, 400), answer.out.substr(0, 400), names);
  CHECK(answer.status == status);
  CHECK(std::count(answer.err.begin(), answer.err.end(), '\n') == 1);
  CHECK(answer.err.size() < 1000);
  CHECK(answer.err.find(names) != std::string::npos);
}

TEST_CASE("a bad config is refused with file and line by --check, the service and the query tool") {
  TempDir dir;
  dir.write("meter.toml", line_profile());
  const std::string head = "[store]\npath = \"night.db\"\n[control]\nsocket = \"s\"\n";
  const std::string meter = "[[meter]]\nname = \"bench\"\nport = \"port\"\nprofile = \"meter.toml\"\n";
  dir.write("good.toml", head + meter);
  CHECK(run(dir, "nightwattd", {"--check", "--config", dir.path("good.toml")}).status == 0);
  const std::pair<std::string, std::string> wrong[] = {{head + "colour = \"red\"\n" + meter, "bad.toml:5"},
                                                       {head + meter + "auto_end_s = \"long\"\n", "bad.toml:9"},
                                                       {head + meter + "auto_end_s = -5\n", "bad.toml:9"},
                                                       {head + "[[meter]]\nname = \"a\"\nport = \"p\"\n", "bad.toml:5"},
                                                       {head + "[[meter]\n", "bad.toml:5"}};
  for (const auto& [text, place] : wrong) {
    dir.write("bad.toml", text);
    const Answer check = run(dir, "nightwattd", {"--check", "--config", dir.path("bad.toml")});
    CAPTURE(text, check.out, check.err);
    CHECK(check.status == 1);
    CHECK((check.out + check.err).find(place) != std::string::npos);
    const Answer service = run(dir, "nightwattd", {"--config", dir.path("bad.toml"), "--foreground"});
    CHECK(service.status == 2);
    CHECK_FALSE(std::filesystem::exists(dir.path("night.db")));
  }
  check_refused(run(dir, "nightwattd", {"--config", dir.path("none.toml"), "--foreground"}), 2, "none.toml");
}

TEST_CASE("a bad CSV is refused with its line and leaves no run behind") {
  TempDir dir;
  const std::string store = dir.path("night.db");
  dir.write("good.csv", "time,power_w\n1000,25.0\n1001,25.1\n1002,25.0\n");
  const auto import = [&dir, &store](const std::string& text, const std::string& device = "Puffin mini") {
    dir.write("night.csv", text);
    return run(dir, "nightwatt", {"--store", store, "import", dir.path("night.csv"), "--device", device});
  };
  REQUIRE(import(dir.read("good.csv")).status == 0);
  check_refused(import("when,watts\n1000,25\n"), 2, "night.csv:1");
  check_refused(import("time,power_w\n1000,25\n1001,many\n"), 2, "night.csv:3");
  // A file that runs backwards throughout is read backwards; one that turns round is refused.
  check_refused(import("time,power_w\n1000,25\n1001,25\n999,25\n"), 2, "night.csv:4");
  check_refused(import("time,power_w\n1000," + std::string(10'000'000, '1') + "\n"), 2, "night.csv:2");
  check_refused(import("time,power_w\n1000,25\n1001,2\0005\n"s), 2, "night.csv");
  check_refused(import("time,power_w\n1000,25\r1001,25\n"), 2, "night.csv:2");
  check_refused(import(""), 2, "night.csv");
  check_refused(import(dir.read("good.csv"), std::string(100'000, 'x')), 2, "");
  check_refused(import(dir.read("good.csv"), "two\nlines"), 2, "");
  check_refused(run(dir, "nightwatt", {"--store", store, "import", dir.path("none.csv"), "--device", "x"}), 2,
                "none.csv");
  const Answer runs = run(dir, "nightwatt", {"--store", store, "--json", "runs"});
  CHECK(runs.json().at("runs").size() == 1);
  CHECK(run(dir, "nightwatt", {"--store", store, "check"}).status == 0);
}

TEST_CASE("a store that is none, is cut or is missing is refused with status 3") {
  TempDir dir;
  const auto ask = [&dir](const std::string& name) {
    return run(dir, "nightwatt", {"--store", dir.path(name), "runs"});
  };
  check_refused(ask("none.db"), 3, "none.db");
  dir.write("text.db", "Dear diary, this is no database, and long enough to be taken for the header of one.\n");
  check_refused(ask("text.db"), 3, "text.db");
  dir.write("good.csv", "time,power_w\n1000,25.0\n1001,25.1\n1002,25.0\n");
  REQUIRE(run(dir, "nightwatt", {"--store", dir.path("night.db"), "import", dir.path("good.csv"), "--device", "x"})
              .status == 0);
  const std::string whole = dir.read("night.db");
  dir.write("half.db", whole.substr(0, whole.size() / 2));
  const Answer half = run(dir, "nightwatt", {"--store", dir.path("half.db"), "check"});
  CAPTURE(half.out, half.err);
  CHECK((half.status == 3 || half.status == 1));
  CHECK(dir.read("half.db").size() == whole.size() / 2);
}

TEST_CASE("an export that meets a damaged block says so and prints nothing, however far down the block is") {
  TempDir dir;
  std::string text = "time,power_w\n";
  constexpr int readings = 40'000;  // three blocks
  for (int i = 0; i < readings; ++i) text += std::to_string(1000 + i) + ",25." + std::to_string(i * 7919 % 10) + "\n";
  dir.write("night.csv", text);
  const std::string store = dir.path("night.db");
  REQUIRE(run(dir, "nightwatt", {"--store", store, "import", dir.path("night.csv"), "--device", "x"}).status == 0);
  REQUIRE(run(dir, "/usr/bin/sqlite3", {store, "UPDATE block_data SET bytes = zeroblob(length(bytes)) WHERE id = 3"})
              .status == 0);
  for (const char* format : {"csv", "json"}) {
    const Answer answer = run(dir, "nightwatt", {"--store", store, "export", "1", "--format", format});
    check_refused(answer, 3, "damaged");
    CHECK(answer.out.empty());
  }
}

TEST_CASE("wrong use is status 2, a no is status 1") {
  TempDir dir;
  dir.write("good.csv", "time,power_w\n1000,25.0\n1001,25.1\n1002,25.0\n");
  const std::string store = dir.path("night.db");
  REQUIRE(run(dir, "nightwatt", {"--store", store, "import", dir.path("good.csv"), "--device", "x"}).status == 0);
  const auto ask = [&](std::vector<std::string> arguments) {
    arguments.insert(arguments.begin(), {"--store", store});
    return run(dir, "nightwatt", arguments);
  };
  check_refused(ask({"summary", "99"}), 1, "99");
  check_refused(ask({"fly"}), 2, "");
  check_refused(ask({"summary"}), 2, "");
  check_refused(ask({"summary", "the-last-one"}), 2, "the-last-one");
  check_refused(ask({"mark", "x", "--run", "1", "--kind", "asleep"}), 2, "asleep");
  check_refused(ask({"trace", "1", "--from", "some day"}), 2, "some day");
  CHECK(ask({"summary", "last"}).status == 0);
}

}  // namespace
}  // namespace nightwatt::process
