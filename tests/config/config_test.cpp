#include <catch2/catch.hpp>
#include <filesystem>
#include <string>
#include <vector>

#include "config/config.hpp"
#include "drivers/protocols.hpp"
#include "temp_folder.hpp"

namespace {

using namespace nightwatt;
using config::check_config;
using config::load_config;
using nightwatt::test::Environment;
using nightwatt::test::TempFolder;

const std::string profile = R"(protocol = "text-line"
[text-line]
form = "csv"
[[read]]
quantity = "power"
field = 1
)";

const std::string whole = R"([store]
path = "data/night.db"
keep_raw_days = 400
max_size_mb = 2000
flush_s = 0.5
[control]
socket = "control.sock"
[[meter]]
name = "bench"
port = "/dev/ttyS7"
profile = "profiles/mine.toml"
auto_runs = false
auto_end_s = 120
shortest_segment_s = 30
[[meter]]
name = "shelf"
usb = { vendor = "1A2B", product = "3c4d", serial = "0001" }
profile = "mine"
)";

std::string replaced(std::string text, const std::string& from, const std::string& to) {
  const std::size_t at = text.find(from);
  REQUIRE(at != std::string::npos);
  return text.replace(at, from.size(), to);
}

/// A folder with a profile in each place one may lie.
struct Site {
  TempFolder folder;
  Environment profiles{"NIGHTWATT_PROFILES", folder.path("installed")};
  Site() {
    folder.write("profiles/mine.toml", profile);
    folder.write("installed/mine.toml", profile);
  }
  std::string write(const std::string& text, unsigned rights = 0640) const {
    std::string file = folder.write("nightwatt.toml", text);
    std::filesystem::permissions(file, static_cast<std::filesystem::perms>(rights));
    return file;
  }
  /// All that is said of a config, without the folder.
  std::vector<std::string> faults(const std::string& text) const {
    std::vector<std::string> out;
    for (const Error& error : check_config(write(text), drivers::protocol_readers())) {
      CHECK(error.kind == ErrorKind::input);
      CHECK(error.message.find('\n') == std::string::npos);
      out.push_back(replaced(error.message, folder.path(""), ""));
    }
    return out;
  }
};

}  // namespace

TEST_CASE("a config gives every key of the contract, its paths relative to itself") {
  const Site site;
  const std::string file = site.write(whole);
  const auto read = load_config(file, drivers::protocol_readers());
  REQUIRE(read);
  CHECK(check_config(file, drivers::protocol_readers()).empty());
  CHECK(read->file == file);
  CHECK(read->store.path == site.folder.path("data/night.db"));
  CHECK(read->store.keep_raw_days == 400.0);
  CHECK(read->store.max_size_mb == 2000.0);
  CHECK(read->store.flush_s == 0.5);
  CHECK(read->control_socket == site.folder.path("control.sock"));
  REQUIRE(read->meters.size() == 2);
  CHECK(read->meters[0].name == "bench");
  CHECK(read->meters[0].port == "/dev/ttyS7");
  CHECK_FALSE(read->meters[0].usb);
  CHECK(read->meters[0].profile.name == "mine");
  CHECK_FALSE(read->meters[0].auto_runs);
  CHECK(read->meters[0].auto_end_s == 120.0);
  CHECK(read->meters[0].shortest_segment_s == 30.0);
  CHECK(read->meters[1].port.empty());
  CHECK(read->meters[1].usb == config::UsbIdentity{"1a2b", "3c4d", "0001"});
  CHECK(read->meters[1].auto_runs);
  CHECK(read->meters[1].auto_end_s == 300.0);
  CHECK(read->meters[1].shortest_segment_s == 20.0);
}

TEST_CASE("a page is off unless it has an address, others than this machine need a token") {
  const Site site;
  CHECK_FALSE(load_config(site.write(""), drivers::protocol_readers())->page.on());
  const auto page = [&](const std::string& lines) { return site.faults("[page]\n" + lines); };
  const auto read = load_config(site.write("[page]\nlisten = \"127.0.0.1:8471\"\n"), drivers::protocol_readers());
  REQUIRE(read);
  CHECK(read->page.address == "127.0.0.1");
  CHECK(read->page.port == 8471);
  CHECK_FALSE(read->page.wants_token());
  CHECK(load_config(site.write("[page]\nlisten = \"[::1]:80\"\n"), drivers::protocol_readers())->page.address == "::1");
  CHECK(page("listen = \"0.0.0.0:80\"\ntoken = \"0123456789abcdef\"\n").empty());
  const std::vector<std::pair<std::string, std::string>> cases = {
      {"", "nightwatt.toml:1: \"listen\" is missing in [page]; write listen ="},
      {"listen = \"0.0.0.0:80\"\n",
       "nightwatt.toml:2: others than this machine reach 0.0.0.0 and the page has no token"},
      {"listen = \"[::]:80\"\n", "nightwatt.toml:2: others than this machine reach ::"},
      {"listen = \"192.0.2.1:80\"\n", "nightwatt.toml:2: others than this machine reach 192.0.2.1"},
      {"listen = \"localhost:80\"\n", "nightwatt.toml:2: \"listen\" is \"localhost:80\", no numeric address"},
      {"listen = \"127.0.0.1\"\n", "nightwatt.toml:2: \"listen\" is \"127.0.0.1\", no numeric"},
      {"listen = \"127.0.0.1:0\"\n", "nightwatt.toml:2: \"listen\" is "},
      {"listen = \"127.0.0.1:65536\"\n", "nightwatt.toml:2: \"listen\" is "},
      {"listen = \"::1:80\"\n", "nightwatt.toml:2: \"listen\" is "},
      {"listen = \"127.0.0.1:80\"\ntoken = \"short\"\n", "nightwatt.toml:3: the token is shorter than 16 characters"},
      {"listen = \"127.0.0.1:80\"\ntoken = \"0123456789 abcdef\"\n", "nightwatt.toml:3: the token has blanks"},
      {"listen = \"127.0.0.1:80\"\ntoken = \"0123456789abcdef\"\ntoken_file = \"t\"\n",
       "nightwatt.toml:4: the page has both a token and a file"},
      {"listen = \"127.0.0.1:80\"\ncolour = 1\n", "nightwatt.toml:3: unknown key \"colour\" in [page]"}};
  for (const auto& [lines, expected] : cases) {
    const auto faults = page(lines);
    CAPTURE(lines, expected);
    REQUIRE(faults.size() == 1);
    CAPTURE(faults[0]);
    CHECK(faults[0].find(expected) == 0);
  }
}

TEST_CASE("the page's token file must be good and no business of others, who only needs the store need not read it") {
  namespace fs = std::filesystem;
  const Site site;
  const std::string lines = "[page]\nlisten = \"0.0.0.0:80\"\ntoken_file = \"secret\"\n";
  const auto fault = [&] {
    const auto faults = site.faults(lines);
    return faults.empty() ? std::string() : faults[0];
  };
  CHECK(fault().find("nightwatt.toml:3: token file") == 0);
  const std::string file = site.folder.write("secret", "0123456789abcdef\n");
  const auto rights = [&](unsigned mode) { fs::permissions(file, static_cast<fs::perms>(mode)); };
  rights(0640);
  CHECK(fault().empty());
  CHECK(config::page_token(load_config(site.write(lines), drivers::protocol_readers())->page) == "0123456789abcdef");
  for (const unsigned mode : {0644U, 0660U, 0642U}) {
    rights(mode);
    CHECK(fault().find("chmod 640") != std::string::npos);
    CHECK(load_config(site.write(lines), drivers::protocol_readers()));
  }
  rights(0600);
  for (const std::string bad : {"", "short", "0123456789abcdef\n\n", "0123456789 abcdef"}) {
    site.folder.write("secret", bad);
    CHECK(fault().find("no good token") != std::string::npos);
  }
  site.folder.write("secret", std::string(257, 'x'));
  CHECK(fault().find("longer than 256") != std::string::npos);
}

TEST_CASE("a check refuses a token in a config that everybody may read, the service starts and says so") {
  const Site site;
  const std::string lines = "[page]\nlisten = \"0.0.0.0:80\"\ntoken = \"0123456789abcdef\"\n";
  for (const unsigned rights : {0644U, 0642U}) {
    const std::string file = site.write(lines, rights);
    const auto errors = check_config(file, drivers::protocol_readers());
    REQUIRE(errors.size() == 1);
    CHECK(errors[0].message.find("nightwatt.toml:3: a secret stands in a file that everybody") != std::string::npos);
    const auto read = load_config(file, drivers::protocol_readers());
    REQUIRE(read);
    CHECK(read->warnings.size() == 1);
  }
  CHECK(check_config(site.write(lines, 0640), drivers::protocol_readers()).empty());
  CHECK(check_config(site.write("[page]\nlisten = \"127.0.0.1:80\"\n", 0644), drivers::protocol_readers()).empty());
}

TEST_CASE("an empty config has the contract's defaults") {
  const Site site;
  const auto read = load_config(site.write(""), drivers::protocol_readers());
  REQUIRE(read);
  CHECK(read->store.path == "/var/lib/nightwatt/nightwatt.db");
  CHECK(read->store.flush_s == 1.0);
  CHECK_FALSE(read->store.keep_raw_days);
  CHECK_FALSE(read->store.max_size_mb);
  CHECK(read->control_socket == "/run/nightwatt/control.sock");
  CHECK(read->meters.empty());
}

TEST_CASE("a fault in the config is said with its line and what to do") {
  const Site site;
  struct Case {
    std::string from, to;
    std::string expected;
  };
  const std::vector<Case> cases = {
      {"[store]", "[stroe]", "nightwatt.toml:1: unknown key \"stroe\" in the top of the file; did you mean \"store\"?"},
      {"[control]", "control = 3\n[x]", "nightwatt.toml:6: unknown key \"control\" in [store]; known here: "},
      {"path = \"data/night.db\"", "path = 3", "nightwatt.toml:2: \"path\" is a whole number; write a text in quotes"},
      {"path = \"data/night.db\"", "path = \"\"", "nightwatt.toml:2: \"path\" is empty; write a text"},
      {"path = \"data/night.db\"", "path = \"a\\u0007b\"", "nightwatt.toml:2: \"path\" has control characters"},
      {"keep_raw_days = 400", "keep_raw_days = 0", "nightwatt.toml:3: \"keep_raw_days\" is 0; write a number above 0"},
      {"max_size_mb = 2000", "max_size_mb = -5", "nightwatt.toml:4: \"max_size_mb\" is -5; write a number from 1"},
      {"flush_s = 0.5", "flush_s = 0.0", "nightwatt.toml:5: \"flush_s\" is 0.0; write a number above 0"},
      {"flush_s = 0.5", "flush_s = 2026-01-05", "nightwatt.toml:5: \"flush_s\" is a date or time; write a number"},
      {"\"control.sock\"", "\"" + std::string(200, 'x') + "\"", "nightwatt.toml:7: the socket's path has "},
      {"name = \"bench\"\n", "", "nightwatt.toml:8: \"name\" is missing in [[meter]]; give the meter a name"},
      {"name = \"bench\"", "name = \"" + std::string(100'000, 'x') + "\"",
       "nightwatt.toml:9: \"name\" is longer than 64 bytes"},
      {"name = \"shelf\"", "name = \"bench\"",
       "nightwatt.toml:16: the meter of line 8 is called \"bench\" too; give each its own name"},
      {"port = \"/dev/ttyS7\"\n", "", "nightwatt.toml:8: \"port\" is missing in [[meter]]; write port ="},
      {"usb = {", "port = \"/dev/ttyS8\"\nusb = {", "nightwatt.toml:18: the meter has both a port and a usb identity"},
      {"usb = {", "port = \"/dev/../dev/ttyS7\" #", "nightwatt.toml:17: the meter of line 8 is on this port too"},
      {"port = \"/dev/ttyS7\"", "usb = { vendor = \"1a2b\", product = \"3C4D\" }",
       "nightwatt.toml:17: the meter of line 8 is on this port too; give each its own, with the serial number"},
      {"\"1A2B\"", "\"0x1A2B\"", "nightwatt.toml:17: \"vendor\" is \"0x1A2B\"; write four hex digits"},
      {"product = \"3c4d\", ", "", "nightwatt.toml:17: \"product\" is missing"},
      {"usb = { vendor = \"1A2B\", product = \"3c4d\", serial = \"0001\" }", "usb = \"1a2b:3c4d\"",
       "nightwatt.toml:17: \"usb\" is a text; write a table, usb = {"},
      {"profile = \"mine\"", "profile = \"yours\"", "nightwatt.toml:18: no profile \"yours\": looked for "},
      {"profile = \"profiles/mine.toml\"", "profile = \"profiles/mine\"",
       "nightwatt.toml:11: no profile \"profiles/mine\": looked for "},
      {"profile = \"mine\"\n", "", "nightwatt.toml:15: \"profile\" is missing in [[meter]]"},
      {"auto_runs = false", "auto_runs = \"no\"", "nightwatt.toml:12: \"auto_runs\" is a text; write true or false"},
      {"auto_end_s = 120", "auto_end_s = -1", "nightwatt.toml:13: \"auto_end_s\" is -1"},
      {"shortest_segment_s = 30", "shortest_segment_s = 0", "nightwatt.toml:14: \"shortest_segment_s\" is 0"},
      {"[[meter]]", "[meter]", "nightwatt.toml:15: not valid TOML: "},
      {"[store]", "[store", "nightwatt.toml:1: not valid TOML: "},
      {"[store]", "meter = [ 3 ]\n[store]", "nightwatt.toml:9: not valid TOML: "},
  };
  for (const Case& c : cases) {
    INFO(c.from << " -> " << c.to);
    const auto said = site.faults(replaced(whole, c.from, c.to));
    REQUIRE_FALSE(said.empty());
    INFO(said.front());
    CHECK(said.front().rfind(c.expected, 0) == 0);
    const auto first = load_config(site.folder.path("nightwatt.toml"), drivers::protocol_readers());
    REQUIRE_FALSE(first);
    CHECK(replaced(first.error().message, site.folder.path(""), "") == said.front());
  }
}

TEST_CASE("a check says all that is wrong, by line, faults of a profile with the profile's own line") {
  const Site site;
  site.folder.write("profiles/mine.toml", profile + "scale = 0\n");
  const auto said =
      site.faults(replaced(replaced(whole, "flush_s = 0.5", "flush_s = 0\nflush = 1"), "auto_runs", "auto"));
  REQUIRE(said.size() == 4);
  CHECK(said[0].rfind("nightwatt.toml:5: \"flush_s\" is 0; ", 0) == 0);
  CHECK(said[1].rfind("nightwatt.toml:6: unknown key \"flush\" in [store]; ", 0) == 0);
  CHECK(said[2].rfind("profiles/mine.toml:7: a scale of 0 ", 0) == 0);
  CHECK(said[3].rfind("nightwatt.toml:13: unknown key \"auto\" in [[meter]]; ", 0) == 0);
}

TEST_CASE("a fault of a profile that two meters share is said once") {
  const Site site;
  site.folder.write("profiles/mine.toml", profile + "scale = 0\n");
  CHECK(site.faults(replaced(whole, "profile = \"mine\"", "profile = \"profiles/mine.toml\"")).size() == 1);
}

TEST_CASE("a by-id link and the device it points at are one port") {
  const Site site;
  const std::string device = site.folder.write("ttyX", "");
  std::filesystem::create_symlink(device, site.folder.path("by-id"));
  std::string text = replaced(whole, "/dev/ttyS7", device);
  text = replaced(text, "usb = {", "port = \"by-id\" #");
  const auto said = site.faults(text);
  REQUIRE(said.size() == 1);
  CHECK(said[0].rfind("nightwatt.toml:17: the meter of line 8 is on this port too", 0) == 0);
}

TEST_CASE("a config that is not there is named") {
  const TempFolder folder;
  const auto read = load_config(folder.path("none.toml"), drivers::protocol_readers());
  REQUIRE_FALSE(read);
  CHECK(read.error().kind == ErrorKind::input);
  CHECK(read.error().message == folder.path("none.toml") + ": no such file; name one with --config or write it");
  CHECK(load_config(folder.path(""), drivers::protocol_readers()).error().message.find("not a regular file") !=
        std::string::npos);
}

TEST_CASE("the config is the option's, else the environment's, else the system's") {
  CHECK(config::config_path(std::nullopt) == "/etc/nightwatt/nightwatt.toml");
  const Environment set("NIGHTWATT_CONFIG", "/somewhere/else.toml");
  CHECK(config::config_path(std::nullopt) == "/somewhere/else.toml");
  CHECK(config::config_path("mine.toml") == "mine.toml");
}

TEST_CASE("a bare word is a file beside the config before it is an installed profile") {
  const Site site;
  CHECK(config::load_profile("mine", site.folder.path(""), drivers::protocol_readers()));
  site.folder.write("mine", replaced(profile, "field = 1", "field = 7"));
  const auto beside = config::load_profile("mine", site.folder.path(""), drivers::protocol_readers());
  REQUIRE(beside);
  CHECK(beside->reads[0].column == 7);
  const auto missing = config::load_profile("nowhere", site.folder.path(""), drivers::protocol_readers());
  REQUIRE_FALSE(missing);
  CHECK(missing.error().message.find(site.folder.path("installed/nowhere.toml")) != std::string::npos);
  CHECK(missing.error().message.find("/nightwatt/profiles/nowhere.toml") != std::string::npos);
}
