// The demonstration ends with its table, and leaves nothing behind.
#include <catch2/catch.hpp>
#include <filesystem>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

TEST_CASE(
    "the demonstration ends with three devices' figures, each with its uncertainty, and leaves "
    "nothing behind but its report") {
  const TempDir dir;
  const std::string build = std::filesystem::path(NIGHTWATT_BIN_DIR).parent_path().string();
  std::filesystem::create_directory(dir.path("tmp"));
  const std::string command = "TMPDIR='" + dir.path("tmp") + "' '" NIGHTWATT_DEMO "' '" + build + "'";
  const Answer demo = run(dir, "/bin/sh", {"-c", command}, 100.0);
  INFO(demo.out << demo.err);
  REQUIRE(demo.status == 0);
  CHECK(demo.err == "");
  const std::string table = demo.out.substr(std::min(demo.out.size(), demo.out.find("nightwatt compare")));
  for (const std::string device : {"Gannet board", "Puffin mini", "Skua tower"}) {
    const std::size_t at = table.find(device);
    REQUIRE(at != std::string::npos);
    const std::string row = table.substr(at, table.find('\n', at) - at);
    CAPTURE(row);
    std::size_t uncertainties = 0;
    for (std::size_t i = row.find("±"); i != std::string::npos; i = row.find("±", i + 1)) ++uncertainties;
    // Idle and load of each; the live night is too short to leave the adapter alone in the socket, so no standby there.
    CHECK(uncertainties >= (device == "Gannet board" ? 2U : 3U));
  }
  CHECK(demo.out.find("nightwattd --config") != std::string::npos);
  // The second night of one of them, recognised by itself.
  CHECK(demo.out.find("Puffin mini? 9") != std::string::npos);
  CHECK(demo.out.find("is now Puffin mini") != std::string::npos);
  CHECK(std::filesystem::is_empty(dir.path("tmp")));
  const std::string report = build + "/demo-report.html";
  CHECK(demo.out.find(report) != std::string::npos);
  CHECK(std::filesystem::file_size(report) > 50'000);
}

}  // namespace
}  // namespace nightwatt::process
