// nightwatt-sim as a program: its port, its exit statuses, its ends.
#include <fcntl.h>
#include <poll.h>
#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <csignal>
#include <filesystem>
#include <sstream>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

// Reads from the port until `enough`, at most 10 s; "<hang-up>" at the end where the port went away.
std::string listen(const std::string& port, const std::function<bool(const std::string&)>& enough) {
  std::string heard;
  const int fd = ::open(port.c_str(), O_RDWR | O_NOCTTY);
  if (fd < 0) return "<no port>";
  const double end_s = unix_now_s() + 10.0;
  while (!enough(heard) && unix_now_s() < end_s) {
    pollfd watched{fd, POLLIN, 0};
    if (::poll(&watched, 1, 100) == 0) continue;
    char buffer[512];
    const ssize_t n = ::read(fd, buffer, sizeof buffer);
    if (n <= 0) {
      heard += "<hang-up>";
      break;
    }
    heard.append(buffer, static_cast<std::size_t>(n));
  }
  ::close(fd);
  return heard;
}

std::size_t lines_in(const std::string& text) {
  return static_cast<std::size_t>(std::count(text.begin(), text.end(), '\n'));
}

TEST_CASE("the simulator's port is a link that speaks, and is gone after SIGTERM") {
  Bench bench(line_profile());
  bench.start_meter("voltage 230\nlevel 25 for 1h\n", 100.0);
  const std::string heard = listen(bench.dir().path("port"), [](const std::string& all) { return lines_in(all) > 3; });
  CHECK(heard.find("25.0,230.0,") != std::string::npos);
  bench.meter().signal(SIGTERM);
  CHECK(bench.meter().wait(5.0) == 0);
  CHECK_FALSE(std::filesystem::is_symlink(bench.dir().path("port")));
}

TEST_CASE("an unplugged port hangs up its reader and comes back under the same link") {
  Bench bench(line_profile());
  bench.start_meter("level 25 for 1h\nat 30 unplug 30\n", 100.0);
  const std::string port = bench.dir().path("port");
  const std::string heard = listen(port, [](const std::string&) { return false; });
  CHECK(heard.find("<hang-up>") != std::string::npos);
  CHECK(eventually(5.0, [&port] { return std::filesystem::exists(port); }));
  CHECK(listen(port, [](const std::string& all) { return lines_in(all) > 3; }).find("25.0") != std::string::npos);
}

TEST_CASE("an old link is replaced, anything else under its name is left alone") {
  Bench bench(line_profile());
  const std::string port = bench.dir().path("port");
  std::filesystem::create_symlink("/nowhere", port);
  bench.dir().write("precious", "data");
  const std::string script = bench.dir().path("script.sim");
  bench.dir().write("script.sim", "level 5 for 100\n");
  const auto refused =
      run(bench.dir(), "nightwatt-sim",
          {"--profile", bench.dir().path("meter.toml"), "--script", script, "--link", bench.dir().path("precious")});
  CHECK(refused.status == 2);
  CHECK(refused.err.find("not a link") != std::string::npos);
  CHECK(bench.dir().read("precious") == "data");
  const auto played = run(
      bench.dir(), "nightwatt-sim",
      {"--profile", bench.dir().path("meter.toml"), "--script", script, "--link", port, "--speed", "1000", "--once"});
  CHECK(played.status == 0);
  CHECK_FALSE(std::filesystem::is_symlink(port));
}

TEST_CASE("a bad script, a missing profile and a wrong option are one line and status 2") {
  TempDir dir;
  dir.write("bad.sim", "level 5 for 10\nlevle 6 for 10\n");
  dir.write("good.sim", "level 5 for 10\n");
  const std::vector<std::vector<std::string>> wrong = {
      {"--script", dir.path("bad.sim"), "--csv"},
      {"--script", dir.path("none.sim"), "--csv"},
      {"--script", dir.path("good.sim")},
      {"--script", dir.path("good.sim"), "--profile", dir.path("none.toml"), "--link", dir.path("port")},
      {"--script", dir.path("good.sim"), "--csv", "--speed", "fast"},
      {"--script", dir.path("good.sim"), "--csv", "--begin", "yesterday"},
      {}};
  for (const auto& arguments : wrong) {
    const Answer answer = run(dir, "nightwatt-sim", arguments);
    CAPTURE(answer.err);
    CHECK(answer.status == 2);
    CHECK(answer.out.empty());
    CHECK(lines_in(answer.err) == 1);
  }
  CHECK(run(dir, "nightwatt-sim", wrong[0]).err.find("bad.sim:2: unknown word `levle`") != std::string::npos);
}

TEST_CASE("the CSV dump prints the same night for the same seed, another for another") {
  TempDir dir;
  dir.write("night.sim", "display 0.1\nnoise white 0.3\nlevel 25 for 60\nat 20 silence 10\n");
  const auto night = [&dir](const std::string& seed) {
    return run(dir, "nightwatt-sim", {"--script", dir.path("night.sim"), "--csv", "--seed", seed, "--begin", "1000"})
        .out;
  };
  const std::string first = night("1");
  CHECK(first == night("1"));
  CHECK(first != night("2"));
  CHECK(first.rfind("time,power_w,voltage_v,energy_wh\n1000,", 0) == 0);
  CHECK(lines_in(first) == 1 + 60 - 10);
}

}  // namespace
}  // namespace nightwatt::process
