// What setup writes: read back by the service's own parser, and never over what is there.
#include "setup/files.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <random>
#include <tuple>

#include "drivers/protocols.hpp"
#include "measure/signal/time_text.hpp"
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

namespace {

/// Profiles with any value of every key.
class Draw {
 public:
  explicit Draw(unsigned seed) : random_(seed) {}
  bool flip() { return random_() % 2 == 0; }
  int whole(int least, int most) { return std::uniform_int_distribution<int>(least, most)(random_); }
  /// With few digits, as people write numbers.
  double real(double least, double most) {
    return std::round(std::uniform_real_distribution<double>(least, most)(random_) * 1e3) / 1e3;
  }
  Duration time(int least_ms, int most_ms) { return Duration(1000LL * whole(least_ms, most_ms)); }
  std::string word() {
    static constexpr std::string_view letters = "abcXYZ019 _-.\"\\\xC3\xA9";
    std::string text = "k";
    for (int i = whole(0, 8); i > 0; --i) {
      const auto at = static_cast<std::size_t>(whole(0, static_cast<int>(letters.size()) - 3));
      text += letters[at];
    }
    return text + "z";
  }
  std::string obis() {
    std::string text =
        std::to_string(whole(0, 99)) + "." + std::to_string(whole(0, 99)) + "." + std::to_string(whole(0, 255));
    return flip() ? text : std::to_string(whole(0, 9)) + "-" + std::to_string(whole(0, 9)) + ":" + text;
  }

  ProtocolSettings settings(const ProtocolSettings& of) {
    return drivers::visit_settings(of, drivers::Overloaded{[&](ModbusRtuSettings s) { return asked(s, 1, 247); },
                                                           [&](ModbusTcpSettings s) { return asked(s, 0, 255); },
                                                           [&](SunSpecSettings s) { return asked(s, 1, 247); },
                                                           [&](TextLineSettings s) {
                                                             s.form = static_cast<TextForm>(whole(0, 2));
                                                             s.checksum = static_cast<TextChecksum>(whole(0, 1));
                                                             return ProtocolSettings(s);
                                                           },
                                                           [&](ScpiSettings s) {
                                                             for (int i = whole(0, 3); i > 0; --i)
                                                               s.setup.push_back(word());
                                                             s.timeout = time(1, 60'000);
                                                             s.retries = whole(0, 20);
                                                             return ProtocolSettings(s);
                                                           },
                                                           [&](S0PulseSettings s) {
                                                             s.line = static_cast<ModemLine>(whole(0, 3));
                                                             s.pulses_per_kwh = real(0.01, 1e5);
                                                             s.shortest_on = time(0, 1000);
                                                             return ProtocolSettings(s);
                                                           },
                                                           [&](Iec62056Settings s) {
                                                             s.mode = static_cast<Iec62056Mode>(whole(0, 3));
                                                             if (flip())
                                                               s.address = std::to_string(whole(1, 99'999'999));
                                                             s.highest_baud =
                                                                 static_cast<std::uint32_t>(whole(300, 19'200));
                                                             s.wake_up = flip();
                                                             s.timeout = time(100, 60'000);
                                                             s.retries = whole(0, 20);
                                                             return ProtocolSettings(s);
                                                           },
                                                           [&](SmlSettings s) {
                                                             s.unsigned_power = flip();
                                                             return ProtocolSettings(s);
                                                           },
                                                           [](DsmrP1Settings s) { return ProtocolSettings(s); }});
  }

  Correction correction() {
    Correction correction;
    correction.coefficients = {real(-1.0, 1.0), real(0.9, 1.1)};
    correction.covariance = {real(0.1, 1.0), 0.0, real(0.001, 0.01)};
    correction.scatter_w = real(0.0, 1.0);
    correction.from_w = real(1.0, 10.0);
    correction.to_w = real(20.0, 100.0);
    correction.made = parse_time("2026-01-05T00:00:00Z").value();
    correction.until = parse_time("2027-01-05T00:00:00Z").value();
    return correction;
  }

  ReadSpec read(Quantity quantity, const drivers::Protocol& protocol, const ProtocolSettings& settings) {
    ReadSpec read;
    read.quantity = quantity;
    read.scale = {whole(1, 999) * (flip() ? 1 : -1), static_cast<std::int8_t>(whole(-4, 3))};
    if (flip()) read.resolution = real(0.001, 10.0);
    if (flip()) read.rounding = read.resolution && flip() ? Rounding::truncates : Rounding::rounds;
    if (flip())
      read.accuracy = flip() ? Accuracy::from_class("B").value() : Accuracy{real(0.1, 5.0), real(0.0, 1.0), ""};
    if (quantity == Quantity::power && flip()) read.correction = correction();
    const auto* text = settings.find<TextLineSettings>();
    for (const std::string_view key : protocol.read_keys()) {
      if (key == "function") read.function = whole(3, 4);
      if (key == "register") read.register_address = static_cast<std::uint16_t>(whole(0, 60'000));
      if (key == "type") read.type = static_cast<RegisterType>(whole(0, 7));
      if (key == "order") read.order = static_cast<RegisterOrder>(whole(0, 3));
      if (key == "query") read.query = word() + "?";
      if (key == "field" && (text == nullptr || text->form == TextForm::csv)) read.column = whole(1, 60);
      if (key == "field" && text != nullptr && text->form != TextForm::csv) read.key = word();
      if (key == "obis" && flip()) read.obis = obis();
      if (key == "minus" && !read.obis.empty() && flip()) read.minus = obis();
    }
    return read;
  }

  MeterProfile profile(const drivers::Protocol& protocol) {
    MeterProfile profile;
    profile.name = "drawn";
    profile.protocol = settings(protocol.defaults());
    profile.line = {static_cast<std::uint32_t>(whole(50, 1'000'000)), static_cast<Parity>(whole(0, 4)), 8, whole(1, 2)};
    // Protocols of bytes have no other line.
    if (protocol.name() == TextLineSettings::protocol_name || protocol.name() == Iec62056Settings::protocol_name)
      profile.line.data_bits = whole(5, 8);
    profile.interval = time(1, 86'400'000);
    if (flip()) profile.starting_w = real(0.0, 100.0);
    profile.on_change = flip();
    if (flip()) profile.gap_s = real(0.1, 1000.0);
    profile.reads.push_back(read(Quantity::power, protocol, profile.protocol));
    for (const Quantity quantity : all_quantities)
      if (quantity != Quantity::power && flip()) profile.reads.push_back(read(quantity, protocol, profile.protocol));
    return profile;
  }

 private:
  template <class Settings>
  ProtocolSettings asked(Settings settings, int least, int most) {
    settings.unit = whole(least, most);
    settings.timeout = time(1, 60'000);
    settings.retries = whole(0, 20);
    return settings;
  }
  std::mt19937 random_;
};

}  // namespace

TEST_CASE("any profile of any protocol, written, reads back with every key as it was") {
  const Folder folder;
  for (const drivers::Protocol* protocol : drivers::protocols())
    for (unsigned seed = 1; seed <= 40; ++seed) {
      const MeterProfile profile = Draw(seed).profile(*protocol);
      const std::string text = profile_text(profile, "drawn");
      folder.write("drawn.toml", text);
      const auto again = config::load_profile(folder.path("drawn.toml"), "", drivers::protocol_readers());
      CAPTURE(seed, text);
      if (!again) FAIL(again.error().message);
      REQUIRE(*again == profile);
    }
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

TEST_CASE("a name that adding would refuse at the end is known as taken at the beginning, and another is suggested") {
  const Folder folder;
  CHECK(free_name(folder.path()) == "bench");
  CHECK_FALSE(is_taken(folder.path(), "bench"));
  REQUIRE(write_files(folder.path(), new_meter("bench"), OldConfig::refuse));
  REQUIRE(write_files(folder.path(), new_meter("Bench 2"), OldConfig::add));
  CHECK(free_name(folder.path()) == "bench-3");
  for (const char* name : {"bench", "Bench", "Bench 2", "bench-2"}) {
    INFO(name);
    CHECK(is_taken(folder.path(), name));
    CHECK_FALSE(write_files(folder.path(), new_meter(name), OldConfig::add));
  }
  CHECK_FALSE(is_taken(folder.path(), "bench-3"));
  CHECK(write_files(folder.path(), new_meter(free_name(folder.path())), OldConfig::add));
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
