// A config in several files: the main one, and what lies in conf.d beside it.
#include <catch2/catch.hpp>
#include <filesystem>
#include <string>

#include "config/config.hpp"
#include "drivers/protocols.hpp"
#include "temp_folder.hpp"

namespace {

using namespace nightwatt;
using config::check_config;
using config::load_config;
using nightwatt::test::TempFolder;
namespace fs = std::filesystem;

const std::string profile = R"(protocol = "text-line"
[text-line]
form = "csv"
[[read]]
quantity = "power"
field = 1
)";

std::string meter(const std::string& name, const std::string& profile_file) {
  return "[[meter]]\nname = \"" + name + "\"\nport = \"/dev/none-" + name + "\"\nprofile = \"" + profile_file + "\"\n";
}

struct Site {
  TempFolder folder;
  std::string main;
  Site() : main(folder.write("nightwatt.toml", "[store]\npath = \"a.db\"\n" + meter("bench", "profiles/p.toml"))) {
    folder.write("profiles/p.toml", profile);
  }
  [[nodiscard]] std::string fault() const {
    const auto errors = check_config(main, drivers::protocol_readers());
    if (errors.size() != 1) return std::to_string(errors.size()) + " faults";
    std::string text = errors[0].message;
    for (std::size_t at; (at = text.find(folder.path(""))) != std::string::npos;)
      text.erase(at, folder.path("").size());
    return text;
  }
};

}  // namespace

TEST_CASE("meters of conf.d join those of the main file, by the files' names") {
  const Site site;
  site.folder.write("conf.d/20-attic.toml", meter("attic", "../profiles/p.toml"));
  site.folder.write("conf.d/10-shelf.toml", meter("shelf", "../profiles/p.toml"));
  site.folder.write("conf.d/30-hut.toml.setup-new", "not finished");
  site.folder.write("conf.d/.hidden.toml", "not ours");
  const auto read = load_config(site.main, drivers::protocol_readers());
  if (!read) FAIL(read.error().message);
  REQUIRE(read->meters.size() == 3);
  CHECK(read->meters[0].name == "bench");
  CHECK(read->meters[1].name == "shelf");
  CHECK(read->meters[2].name == "attic");
  CHECK(read->file == site.main);
}

TEST_CASE("a key of conf.d takes the place of the main file's, and its paths are relative to its own file") {
  const Site site;
  site.folder.write("conf.d/store.toml", "[store]\npath = \"b.db\"\nflush_s = 5\n[control]\nsocket = \"c.sock\"\n");
  const auto read = load_config(site.main, drivers::protocol_readers());
  if (!read) FAIL(read.error().message);
  CHECK(read->store.path == site.folder.path("conf.d/b.db"));
  CHECK(read->store.flush_s == 5.0);
  CHECK(read->control_socket == site.folder.path("conf.d/c.sock"));
}

TEST_CASE("what is wrong in conf.d is told with its own file and line") {
  const Site site;
  site.folder.write("conf.d/a.toml", "\n[store]\nnonsense = 1\n");
  CHECK_THAT(site.fault(), Catch::StartsWith("conf.d/a.toml:3: "));
  site.folder.write("conf.d/a.toml", "\n\nnot toml\n");
  CHECK_THAT(site.fault(), Catch::StartsWith("conf.d/a.toml:3"));
  site.folder.write("conf.d/a.toml", "[meter]\nname = \"x\"\n");
  CHECK_THAT(site.fault(), Catch::StartsWith("conf.d/a.toml:1: ") && Catch::Contains("nightwatt.toml:3"));
  site.folder.write("conf.d/a.toml", "\n" + meter("bench", "../profiles/p.toml"));
  const auto errors = check_config(site.main, drivers::protocol_readers());
  REQUIRE(errors.size() == 2);  // the name and the port
  CHECK_THAT(errors[0].message, Catch::Contains("conf.d/a.toml:3: ") && Catch::Contains("nightwatt.toml:3"));
  site.folder.write("conf.d/a.toml", meter("shelf", "profiles/p.toml"));  // relative to conf.d: not there
  CHECK_THAT(site.fault(), Catch::StartsWith("conf.d/a.toml:4: ") && Catch::Contains("conf.d/profiles/p.toml"));
}

TEST_CASE("a secret in a file that everybody may read is warned of, in whichever file it is") {
  const Site site;
  const std::string page = "[page]\nlisten = \"127.0.0.1:8471\"\ntoken = \"0123456789abcdef\"\n";
  const std::string added = site.folder.write("conf.d/page.toml", page);
  fs::permissions(added, fs::perms(0644));
  const auto open = load_config(site.main, drivers::protocol_readers());
  REQUIRE(open);
  REQUIRE(open->warnings.size() == 1);
  CHECK_THAT(open->warnings[0], Catch::StartsWith(added + ":3: ") && Catch::Contains("chmod o= " + added));
  CHECK_THAT(open->warnings[0], !Catch::Contains("0123456789abcdef"));
  fs::permissions(added, fs::perms(0640));
  const auto closed = load_config(site.main, drivers::protocol_readers());
  REQUIRE(closed);
  CHECK(closed->warnings.empty());
}

TEST_CASE("a mirror has a database and a rig, a password in it is a secret") {
  const Site site;
  site.folder.write("conf.d/mirror.toml",
                    "[mirror]\ndatabase = \"host=lab.example dbname=rigs\"\nrig = \"north-hut\"\n");
  const auto read = load_config(site.main, drivers::protocol_readers());
  if (!read) FAIL(read.error().message);
  CHECK(read->mirror == config::MirrorConfig{"host=lab.example dbname=rigs", "north-hut"});
  CHECK(read->warnings.empty());
  const std::string secret =
      site.folder.write("conf.d/mirror.toml", "[mirror]\ndatabase = \"dbname=rigs password=x\"\nrig = \"a\"\n");
  fs::permissions(secret, fs::perms(0644));
  const auto open = load_config(site.main, drivers::protocol_readers());
  REQUIRE(open);
  CHECK(open->warnings.size() == 1);
  site.folder.write("conf.d/mirror.toml", "[mirror]\nrig = \"a\"\n");
  CHECK_THAT(site.fault(), Catch::StartsWith("conf.d/mirror.toml:1: "));
}

TEST_CASE("a broker has an address and a topic with the meter in it, and takes the mirror's name for the rig") {
  const Site site;
  const auto reads = [&](const std::string& text) {
    site.folder.write("conf.d/a.toml", text);
    const auto read = load_config(site.main, drivers::protocol_readers());
    if (!read) FAIL(read.error().message);
    return read->publish;
  };
  config::PublishConfig expected;
  expected.host = "127.0.0.1";
  expected.rig = "north";
  CHECK(reads("[mirror]\ndatabase = \"x\"\nrig = \"north\"\n[publish]\nbroker = \"mqtt://127.0.0.1\"\n") == expected);
  const auto tls = reads(
      "[publish]\nbroker = \"mqtts://[::1]:99\"\nca_file = \"ca.pem\"\nuser = \"u\"\npassword_file = \"p\"\nversion = "
      "\"5\"\n");
  CHECK(tls.host == "::1");
  CHECK(tls.port == 99);
  CHECK(tls.tls);
  CHECK(tls.version == 5);
  CHECK(tls.ca_file == site.folder.path("conf.d/ca.pem"));
  CHECK_FALSE(tls.rig.empty());
  site.folder.write("conf.d/p", "hush\n");
  fs::permissions(site.folder.path("conf.d/p"), fs::perms(0644));
  CHECK_FALSE(config::publish_password(tls));
  fs::permissions(site.folder.path("conf.d/p"), fs::perms(0640));
  CHECK(config::publish_password(tls).value() == "hush");
  for (const std::string bad :
       {"http://x", "mqtt://", "mqtt://x:0", "mqtt://x:70000", "mqtt://a b", "mqtt://u@x", "mqtt://[::1"}) {
    site.folder.write("conf.d/a.toml", "[publish]\nbroker = \"" + bad + "\"\n");
    INFO(bad);
    CHECK_THAT(site.fault(), Catch::StartsWith("conf.d/a.toml:2: "));
  }
  site.folder.write("conf.d/a.toml", "[publish]\nbroker = \"mqtt://x\"\ntopic = \"all\"\n");
  CHECK_THAT(site.fault(), Catch::StartsWith("conf.d/a.toml:3: "));
}
