// Any bytes as a config and as a profile: an answer or a list of faults, each one line with its place, never a crash.
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string_view>

#include "config/config_parser.hpp"
#include "config/profile_parser.hpp"
#include "drivers/protocols.hpp"

namespace {

using namespace nightwatt;
using namespace nightwatt::config;

void must(bool holds) {
  if (!holds) std::abort();
}

void must_be_one_line(const Error& error) {
  must(error.message.rfind("fuzz.toml:", 0) == 0);
  for (const char c : error.message) must(static_cast<unsigned char>(c) >= 0x20 && c != 0x7F);
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string_view text(reinterpret_cast<const char*>(data), size);
  const auto tree = read_toml(text, "fuzz.toml");
  if (!tree) {
    must_be_one_line(tree.error());
    return 0;
  }
  Problems with_profile("fuzz.toml");
  const auto profile = parse_profile(*tree, "fuzz", drivers::protocol_readers(), with_profile);
  must(profile.has_value() == with_profile.errors().empty());
  for (const Error& error : with_profile.errors()) must_be_one_line(error);

  const auto no_profiles = [](const std::string&, const std::string&) {
    return ProfileOutcome{MeterProfile{}, {}, {}, {}};
  };
  Problems with_config("fuzz.toml", "/etc/nightwatt");
  const auto config = parse_config(*tree, no_profiles, with_config);
  must(config.has_value() == with_config.errors().empty());
  for (const Error& error : with_config.errors()) must_be_one_line(error);
  return 0;
}
