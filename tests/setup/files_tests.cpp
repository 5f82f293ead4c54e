// What setup writes: read back by the service's own parser, and never over what is there.
#include "setup/files.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <tuple>

#include "drivers/protocols.hpp"
#include "setup/text_guess.hpp"

using namespace nightwatt;
using namespace nightwatt::setup;
namespace fs = std::filesystem;

namespace {

class Folder {
 public:
  Folder() {
    std::string pattern = (fs::temp_directory_path() / "nightwatt-setup-XXXXXX").string();
    REQUIRE(::mkdtemp(pattern.data()) != nullptr);
    path_ = pattern;
  }
  ~Folder() {
    std::error_code ignored;
    fs::remove_all(path_, ignored);
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  [[nodiscard]] std::string path(const std::string& name = "") const {
    return name.empty() ? path_ : path_ + "/" + name;
  }
  void write(const std::string& name, const std::string& text) const {
    std::ofstream(path(name), std::ios::binary) << text;
  }
  [[nodiscard]] std::string read(const std::string& name) const {
    std::ifstream in(path(name), std::ios::binary);
    return {std::istreambuf_iterator<char>(in), {}};
  }
  /// Nothing half-written lies about.
  [[nodiscard]] std::size_t files() const {
    std::size_t count = 0;
    for (const auto& entry : fs::recursive_directory_iterator(path_))
      count += entry.is_regular_file() ? std::size_t{1} : std::size_t{0};
    return count;
  }

 private:
  std::string path_;
};

NewMeter new_meter(const std::string& name) {
  ChosenField power{Quantity::power, "2", {1, -3}, 0.001, *Accuracy::parse("1% + 0.05W")};
  LineSettings line;
  line.baud = 115200;
  MeterProfile profile = text_profile({TextForm::csv, TextChecksum::xor_nmea}, line, {&power, 1});
  profile.name = file_name(name);
  return {name, "/dev/none-" + name, profile, "a head\nof two lines"};
}

}  // namespace

TEST_CASE("every shipped profile, written anew, reads back as the same") {
  std::size_t seen = 0;
  for (const auto& entry : fs::directory_iterator(NIGHTWATT_PROFILES)) {
    INFO(entry.path());
    const auto profile = config::load_profile(entry.path().string(), "", drivers::protocol_readers());
    REQUIRE(profile);
    const Folder folder;
    const std::string name = entry.path().stem().string();
    folder.write(name + ".toml", profile_text(*profile, "a copy"));
    const auto again = config::load_profile(folder.path(name + ".toml"), "", drivers::protocol_readers());
    if (!again) FAIL(again.error().message);
    CHECK(*again == *profile);
    ++seen;
  }
  CHECK(seen >= 5);
}

TEST_CASE("keys with quotes and odd characters survive the way into a profile and back") {
  ChosenField power{Quantity::power, "P \"act\" \\ \u00e9", {-1, 0}, 0.5, Accuracy::from_class("B").value()};
  MeterProfile profile = text_profile({TextForm::json, TextChecksum::none}, {}, {&power, 1});
  profile.name = "odd";
  const Folder folder;
  folder.write("odd.toml", profile_text(profile, ""));
  const auto again = config::load_profile(folder.path("odd.toml"), "", drivers::protocol_readers());
  if (!again) FAIL(again.error().message);
  CHECK(*again == profile);
}

TEST_CASE("config and profile are written together, and the service would take them") {
  const Folder folder;
  const auto written = write_files(folder.path("new/place"), new_meter("Bench 1"), OldConfig::refuse);
  REQUIRE(written);
  CHECK(written->added.empty());
  const auto config = config::load_config(written->config, drivers::protocol_readers());
  if (!config) FAIL(config.error().message);
  REQUIRE(config->meters.size() == 1);
  CHECK(config->meters[0].name == "Bench 1");
  CHECK(config->meters[0].profile.traits().resolution_w == 0.001);
  CHECK(config->store.path == folder.path("new/place/nightwatt.db"));
  CHECK(fs::exists(folder.path("new/place/profiles/bench-1.toml")));
  CHECK(folder.files() == 2);
}

TEST_CASE("a config that is there is refused, added to or replaced, as one is told") {
  const Folder folder;
  REQUIRE(write_files(folder.path(), new_meter("bench"), OldConfig::refuse));
  const std::string before = folder.read("nightwatt.toml");
  const auto refused = write_files(folder.path(), new_meter("shelf"), OldConfig::refuse);
  REQUIRE_FALSE(refused);
  CHECK(refused.error().kind == ErrorKind::negative);
  CHECK(folder.read("nightwatt.toml") == before);
  CHECK(folder.files() == 2);

  const auto added = write_files(folder.path(), new_meter("shelf"), OldConfig::add);
  REQUIRE(added);
  CHECK(added->added == folder.path("conf.d/shelf.toml"));
  CHECK(folder.read("nightwatt.toml") == before);
  CHECK(config::load_config(folder.path("nightwatt.toml"), drivers::protocol_readers())->meters.size() == 2);

  // A second meter of one name, or of one port, is the parser's to refuse; nothing of it stays.
  const auto twice = write_files(folder.path(), new_meter("Shelf"), OldConfig::add);
  CHECK_FALSE(twice);
  NewMeter same_port = new_meter("third");
  same_port.port = "/dev/none-bench";
  const auto port_twice = write_files(folder.path(), same_port, OldConfig::add);
  REQUIRE_FALSE(port_twice);
  CHECK(port_twice.error().kind == ErrorKind::input);
  CHECK_FALSE(fs::exists(folder.path("profiles/third.toml")));
  CHECK(config::load_config(folder.path("nightwatt.toml"), drivers::protocol_readers())->meters.size() == 2);

  // A meter is replaced where it stands.
  NewMeter moved = new_meter("shelf");
  moved.port = "/dev/none-elsewhere";
  REQUIRE(write_files(folder.path(), moved, OldConfig::replace));
  CHECK(folder.read("nightwatt.toml") == before);
  CHECK(config::load_config(folder.path("nightwatt.toml"), drivers::protocol_readers())->meters[1].port ==
        "/dev/none-elsewhere");
  REQUIRE(write_files(folder.path(), new_meter("attic"), OldConfig::replace));
  CHECK(config::load_config(folder.path("nightwatt.toml"), drivers::protocol_readers())->meters[0].name == "attic");
  CHECK(config::load_config(folder.path("nightwatt.toml"), drivers::protocol_readers())->meters.size() == 2);
  CHECK(folder.files() == 5);  // with the profile of the meter that is no more
}

TEST_CASE("what is written keeps the config's owner and mode, whatever the umask") {
  if (::geteuid() != 0) {
    WARN("SKIPPED: only root can give a file away");
    return;
  }
  constexpr mode_t all_for_me = 077;
  constexpr uid_t owner = 12;  // any that is not root's
  constexpr gid_t group = 34;
  const Folder folder;
  REQUIRE(write_files(folder.path(), new_meter("bench"), OldConfig::refuse));
  const std::string config = folder.path("nightwatt.toml");
  REQUIRE(::chown(config.c_str(), owner, group) == 0);
  REQUIRE(::chmod(config.c_str(), 0640) == 0);
  REQUIRE(::chmod(folder.path().c_str(), 0755) == 0);
  const mode_t before = ::umask(all_for_me);
  const auto added = write_files(folder.path(), new_meter("shelf"), OldConfig::add);
  const auto replaced = write_files(folder.path(), new_meter("bench"), OldConfig::replace);
  ::umask(before);
  REQUIRE(added);
  REQUIRE(replaced);
  const auto rights = [](const std::string& path) {
    struct stat info {};
    REQUIRE(::stat(path.c_str(), &info) == 0);
    return std::tuple(info.st_uid, info.st_gid, info.st_mode & 0777U);
  };
  const std::tuple expected{owner, group, 0640U};
  CHECK(rights(config) == expected);
  CHECK(rights(added->added) == expected);
  CHECK(rights(added->profile) == expected);
  CHECK(std::get<2>(rights(folder.path("conf.d"))) == 0755U);
  CHECK(std::get<2>(rights(folder.path("profiles"))) != 0U);
}

TEST_CASE("a config that is not good is not added to, and a folder that cannot be written is named") {
  const Folder folder;
  folder.write("nightwatt.toml", "nonsense = 1\n");
  const auto bad = write_files(folder.path(), new_meter("bench"), OldConfig::add);
  REQUIRE_FALSE(bad);
  CHECK(bad.error().kind == ErrorKind::input);
  CHECK(folder.read("nightwatt.toml") == "nonsense = 1\n");
  CHECK(folder.files() == 1);
  const auto nowhere = write_files("/proc/nowhere", new_meter("bench"), OldConfig::refuse);
  REQUIRE_FALSE(nowhere);
  CHECK(nowhere.error().kind == ErrorKind::unusable);
  CHECK_THAT(nowhere.error().message, Catch::Contains("/proc/nowhere"));
}

TEST_CASE("file names are plain, whatever a meter is called") {
  CHECK(file_name("Bench 1") == "bench-1");
  CHECK(file_name("../../etc/passwd") == "etc-passwd");
  CHECK(file_name("\u00e9\u00e9") == "meter");
  CHECK(file_name("") == "meter");
}
