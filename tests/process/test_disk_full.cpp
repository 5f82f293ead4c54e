// A full disk: recording pauses, says so and goes on by itself when there is room.
#include <sys/mount.h>
#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>

#include "comparison.hpp"
#include "harness.hpp"

namespace nightwatt::process {
namespace {

/// A file system of 2 MB, if this user may mount one.
class SmallDisk {
 public:
  explicit SmallDisk(std::string path) : path_(std::move(path)) {
    std::filesystem::create_directory(path_);
    mounted_ = ::mount("tmpfs", path_.c_str(), "tmpfs", 0, "size=2m") == 0;
  }
  ~SmallDisk() {
    if (mounted_) ::umount2(path_.c_str(), MNT_DETACH);
  }
  SmallDisk(const SmallDisk&) = delete;
  SmallDisk& operator=(const SmallDisk&) = delete;
  [[nodiscard]] bool mounted() const { return mounted_; }
  void fill() const {
    std::ofstream filler(path_ + "/filler", std::ios::binary);
    const std::string block(4096, 'x');
    while (filler.write(block.data(), static_cast<std::streamsize>(block.size())).flush()) {
    }
  }
  void make_room() const { std::filesystem::remove(path_ + "/filler"); }

 private:
  std::string path_;
  bool mounted_ = false;
};

TEST_CASE("a full disk pauses the recording, is told, and the recording goes on when there is room") {
  Bench bench(line_profile(), "", 0.2);
  const SmallDisk disk(bench.dir().path("disk"));
  if (!disk.mounted()) {
    WARN("SKIPPED: may not mount a small tmpfs here; run as root to see the disk fill up");
    return;
  }
  std::string config = bench.dir().read("nightwatt.toml");
  config.replace(config.find("night.db"), 8, "disk/night.db");
  config += "[[tell]]\ncommand = [\"/bin/sh\", \"-c\", \"cat >> " + bench.dir().path("told") + "\"]\n";
  bench.dir().write("nightwatt.toml", config);
  bench.start_meter("noise white 0.4\nlevel 25 for 2h\n", 100.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&bench] { return bench.readings() >= 50; }));
  const auto samples = [&bench] { return bench.ask_json({"status"}).at("store").at("samples").get<long>(); };
  disk.fill();
  const bool told = eventually(20.0, [&bench] { return bench.log().find("full") != std::string::npos; });
  INFO(bench.log());
  CHECK(told);
  const long full = samples();
  disk.make_room();
  CHECK(eventually(20.0, [&] { return samples() >= full + 100; }));
  // On another disk, so that it can be told at all.
  const auto count = [&bench](const std::string& event) {
    const std::string text = bench.dir().read("told");
    return text.find("\"event\":\"" + event + "\"") != std::string::npos;
  };
  CHECK(eventually(10.0, [&] { return count("disk_full") && count("disk_room"); }));
  CHECK(bench.stop_service() == 0);
  CHECK(bench.ask_json({"check"}).at("ok") == true);
  CHECK(compare(bench.sent(), bench.stored(), 1.0).problem == "");
  // docs/format.md: 6 is disk_full, 7 is disk_room.
  const auto events =
      run(bench.dir(), "/usr/bin/sqlite3",
          {bench.dir().path("disk/night.db"), "SELECT kind FROM event WHERE kind IN (6, 7) ORDER BY id"});
  CHECK(events.out == "6\n7\n");
}

}  // namespace
}  // namespace nightwatt::process
