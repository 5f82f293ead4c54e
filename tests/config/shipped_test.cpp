#include <catch2/catch.hpp>
#include <filesystem>
#include <set>
#include <string>

#include "config/config.hpp"
#include "drivers/protocols.hpp"
#include "temp_folder.hpp"

namespace {

using namespace nightwatt;
const std::string shipped = NIGHTWATT_CONFIG_DIR;

}  // namespace

TEST_CASE("every shipped profile loads, by file and by name, and measures power") {
  const test::Environment profiles("NIGHTWATT_PROFILES", shipped + "/profiles");
  std::set<std::string> names;
  for (const auto& entry : std::filesystem::directory_iterator(shipped + "/profiles")) {
    INFO(entry.path());
    const auto by_file = config::load_profile(entry.path().string(), "", drivers::protocol_readers());
    REQUIRE(by_file);
    const auto by_name = config::load_profile(entry.path().stem().string(), "", drivers::protocol_readers());
    REQUIRE(by_name);
    CHECK(by_name->name == by_file->name);
    bool has_power = false;
    for (const ReadSpec& read : by_file->reads) has_power = has_power || read.quantity == Quantity::power;
    CHECK(has_power);
    names.insert(by_file->name);
  }
  CHECK(names == std::set<std::string>{"dsmr-p1", "dsmr-p1-v3", "iec62056-21", "iec62056-21-push", "modbus-float32",
                                       "modbus-s32-scaled", "modbus-tcp-float32", "s0-pulse", "scpi-wattmeter", "sml",
                                       "sunspec", "text-csv", "text-json", "text-key-value"});
}

TEST_CASE("the shipped example config is accepted as it is") {
  const test::Environment profiles("NIGHTWATT_PROFILES", shipped + "/profiles");
  for (const Error& error : config::check_config(shipped + "/nightwatt.toml", drivers::protocol_readers()))
    FAIL_CHECK(error.message);
  const auto read = config::load_config(shipped + "/nightwatt.toml", drivers::protocol_readers());
  REQUIRE(read);
  CHECK(read->meters.size() == 1);
}
