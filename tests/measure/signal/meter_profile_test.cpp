#include "measure/signal/meter_profile.hpp"

#include <catch2/catch.hpp>
#include <cmath>

using namespace nightwatt;

TEST_CASE("accuracy in words is percent, percent and floor, or a class") {
  CHECK(Accuracy::parse("1%")->percent == 1.0);
  CHECK(Accuracy::parse("1% + 0.05W")->floor == 0.05);
  CHECK(Accuracy::parse(" 0.5 %+0.1 W ")->percent == 0.5);
  CHECK(Accuracy::parse("0% + 0.05W")->floor == 0.05);
  CHECK(Accuracy::parse("class B")->meter_class == "B");
  CHECK(Accuracy::parse("class B + 0.05W")->floor == 0.05);
  for (const char* words : {"1%", "1% + 0.05W", "class B", "class 0.5S", "class 1 + 0.2W"})
    CHECK(Accuracy::parse(words)->text() == words);
}

TEST_CASE("accuracy that promises nothing or the impossible is refused in one line") {
  for (const char* words : {"",      "1",       "%",          "1 W",         "300%",       "-1%",         "0%",
                            "1% +",  "1% + W",  "1% + -0.1W", "1% + 0.1 kg", "1% + 0.05V", "1% + 0.05Wh", "1% + 1e308W",
                            "class", "class Z", "class b",    "nan%",        "inf%",       "1% 0.05W"}) {
    CAPTURE(words);
    const auto accuracy = Accuracy::parse(words);
    REQUIRE_FALSE(accuracy.has_value());
    CHECK(accuracy.error().kind == ErrorKind::input);
    CHECK(accuracy.error().message.find('\n') == std::string::npos);
  }
  CHECK(Accuracy::parse(std::string(100'000, 'x')).error().message.size() < 300);
}

TEST_CASE("a class is its limit in the main range") {
  // IEC 62053-21 class 1 at 42 W: half-width 0.42 W, standard uncertainty 0.2425 W (class limit from memory).
  CHECK(Accuracy::from_class("1")->half_width(42.0) / std::sqrt(3.0) == Approx(0.2425).margin(5e-5));
  // EN 50470-3 main range, from memory.
  CHECK(Accuracy::from_class("A")->percent == 2.0);
  CHECK(Accuracy::from_class("B")->percent == 1.0);
  CHECK(Accuracy::from_class("C")->percent == 0.5);
  // IEC 62053-22 main range, from memory.
  CHECK(Accuracy::from_class("0.5S")->percent == 0.5);
  CHECK(Accuracy::from_class("0.2S")->percent == 0.2);
}

TEST_CASE("the half-width of a promise grows with the size of the level, whatever its sign") {
  const Accuracy accuracy{1.0, 0.1, ""};
  CHECK(accuracy.half_width(42.3) == Approx(0.523));
  CHECK(accuracy.half_width(-42.3) == Approx(0.523));
  CHECK(accuracy.half_width(0.0) == Approx(0.1));
}

TEST_CASE("a character on the line counts start, data, parity and stop bits") {
  LineSettings line;  // 9600 8N1: 10 bits
  CHECK(line.character_time() == Duration{1042});
  line.parity = Parity::even;  // 11 bits, the Modbus serial line guide's default character
  CHECK(line.character_time() == Duration{1146});
  line.baud = 0;
  CHECK(line.character_time() == Duration{0});
}

TEST_CASE("a profile's traits come from its power and energy reads") {
  MeterProfile profile;
  profile.starting_w = 0.4;
  ReadSpec power;
  power.scale = Decimal{1, -1};
  power.resolution = 0.1;
  power.accuracy = Accuracy{1.0, 0.0, ""};
  ReadSpec energy;
  energy.quantity = Quantity::energy;
  energy.resolution = 10.0;
  profile.reads = {power, energy};
  CHECK(profile.traits().resolution_w == 0.1);
  CHECK(profile.traits().accuracy->percent == 1.0);
  CHECK(profile.traits().starting_w == 0.4);
  CHECK(profile.traits().energy_step_wh == 10.0);
  CHECK_FALSE(profile.traits().energy_accuracy.has_value());
  profile.reads[0].resolution.reset();
  CHECK_FALSE(profile.traits().resolution_w.has_value());
}

namespace {

struct FlagSettings {
  static constexpr std::string_view protocol_name = "flags";
  int flags = 1;
  friend bool operator==(const FlagSettings&, const FlagSettings&) = default;
};
struct LampSettings {
  static constexpr std::string_view protocol_name = "lamps";
  friend bool operator==(const LampSettings&, const LampSettings&) = default;
};

}  // namespace

TEST_CASE("settings of a protocol are a value of their own type, copied, compared and named") {
  ProtocolSettings none;
  CHECK(none.protocol_name().empty());
  CHECK(none == ProtocolSettings());
  ProtocolSettings flags = FlagSettings{3};
  CHECK(flags.protocol_name() == "flags");
  REQUIRE(flags.find<FlagSettings>() != nullptr);
  CHECK(flags.find<LampSettings>() == nullptr);
  const ProtocolSettings copy = flags;
  CHECK(copy == flags);
  flags.find<FlagSettings>()->flags = 4;
  CHECK(copy.find<FlagSettings>()->flags == 3);
  CHECK_FALSE(copy == flags);
  CHECK_FALSE(copy == ProtocolSettings(LampSettings()));
  CHECK_FALSE(copy == none);
}

TEST_CASE("every quantity has one name and one column, both found again") {
  for (const Quantity quantity : all_quantities) {
    CHECK(quantity_from_name(quantity_name(quantity)) == quantity);
    CHECK(quantity_from_column(quantity_column(quantity)) == quantity);
  }
  CHECK(quantity_column(Quantity::energy_export) == "energy_export_wh");
  CHECK(quantity_column(Quantity::power_factor) == "power_factor");
  CHECK_FALSE(quantity_from_column("power").has_value());
  CHECK_FALSE(quantity_from_name("").has_value());
}
