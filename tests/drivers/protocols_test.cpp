#include <catch2/catch.hpp>
#include <set>

#include "drivers/protocols.hpp"

namespace nightwatt::drivers {

namespace {

template <class... Settings>
std::vector<std::string_view> names(SettingsList<Settings...>) {
  return {Settings::protocol_name...};
}

}  // namespace

TEST_CASE("the list of protocols and the list of their settings are one") {
  std::vector<std::string_view> listed;
  for (const Protocol* protocol : protocols()) listed.push_back(protocol->name());
  CHECK(listed == names(AllSettings()));
  CHECK(std::set<std::string_view>(listed.begin(), listed.end()).size() == listed.size());
  REQUIRE(protocol_readers().size() == protocols().size());
  for (std::size_t i = 0; i < listed.size(); ++i) {
    CHECK(protocol_readers()[i] == protocols()[i]);
    CHECK(find_protocol(listed[i]) == protocols()[i]);
    CHECK(protocols()[i]->defaults().protocol_name() == listed[i]);
  }
  CHECK(find_protocol("smoke-signals") == nullptr);
}

TEST_CASE("whoever visits the list gets the settings as what they are") {
  for (const Protocol* protocol : protocols()) {
    const std::string_view seen =
        visit_settings(protocol->defaults(), [](const auto& settings) { return settings.protocol_name; });
    CHECK(seen == protocol->name());
  }
}

TEST_CASE("a profile without a protocol is refused") {
  CHECK_FALSE(make_decoder(MeterProfile()).has_value());
  CHECK_FALSE(make_capture_decoder(MeterProfile()).has_value());
}

}  // namespace nightwatt::drivers
