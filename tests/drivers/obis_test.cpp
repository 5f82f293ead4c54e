// Registers and their codes: IEC 62056-61 names them, DSMR P1 5.0.2 and SML send them.
#include <catch2/catch.hpp>

#include "obis.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using obis::Register;
using obis::RegisterPlan;

Register had(std::string_view code, std::string_view value, std::string_view unit) {
  return {obis::parse_code(code).value(), Decimal::parse(value), unit};
}

ReadSpec read_of(Quantity quantity, const std::string& obis = "", const std::string& minus = "",
                 Decimal scale = {1, 0}) {
  ReadSpec read;
  read.quantity = quantity;
  read.obis = obis;
  read.minus = minus;
  read.scale = scale;
  return read;
}

/// What comes of it, as text.
std::string taken(const std::vector<ReadSpec>& reads, const std::vector<Register>& registers) {
  Output out;
  Measurement reading;
  reading.values = RegisterPlan::make(reads).value().take(registers, 0, out.faults);
  if (!reading.values.empty()) out.readings.push_back(reading);
  return test::described(out);
}

}  // namespace

TEST_CASE("codes are read as meters write them, and nothing else is a code") {
  using obis::code_text;
  using obis::parse_code;
  CHECK(code_text(parse_code("1-0:1.8.0").value()) == "1-0:1.8.0");
  CHECK(code_text(parse_code("1-0:1.8.0*255").value()) == "1-0:1.8.0");
  CHECK(code_text(parse_code("1.8.1*03").value()) == "1.8.1*3");
  CHECK(code_text(parse_code("F.F").value()) == "97.97.0");
  CHECK(code_text(parse_code("C.1.0").value()) == "96.1.0");
  for (const std::string_view text : {"", "1", "1.", ".8.0", "1.8.0.1", "1-1.8.0", "1:1.8.0", "1-0:", "256.8.0",
                                      "1.8.0*", "1.8.0 ", "1,8,0", "-1.8.0"})
    CHECK_FALSE(parse_code(text).has_value());
}

TEST_CASE("a code without medium asks for any, one that a meter sends without is its own electricity") {
  const auto fits = [](std::string_view asked, std::string_view sent) {
    return obis::matches(obis::parse_code(asked).value(), obis::parse_code(sent).value());
  };
  CHECK(fits("1.8.0", "1-0:1.8.0"));
  CHECK(fits("1.8.0", "6-1:1.8.0"));
  CHECK(fits("1-0:1.8.0", "1.8.0"));
  CHECK_FALSE(fits("7-0:1.8.0", "1.8.0"));
  CHECK_FALSE(fits("1-0:1.8.0", "1-1:1.8.0"));
  CHECK_FALSE(fits("1.8.0", "1.8.0*01"));  // of an earlier month
  CHECK(fits("1.8.0*01", "1.8.0*01"));
}

TEST_CASE("power is import less export, tariffs are summed, and gas is left alone") {
  const std::vector<Register> telegram = {had("1-0:1.8.1", "123456.789", "kWh"), had("1-0:1.8.2", "000001.001", "kWh"),
                                          had("1-0:2.8.1", "5.5", "kWh"),        had("1-0:1.7.0", "00.193", "kW"),
                                          had("1-0:2.7.0", "01.200", "kW"),      had("0-1:24.2.1", "12785.123", "m3"),
                                          had("1-0:32.7.0", "220.1", "V"),       had("1-0:31.7.0", "001", "A")};
  CHECK(taken(obis::usual_reads(), telegram) ==
        "@0 power_w=-1007 voltage_v=220.1 current_a=1 energy_wh=123457790 energy_export_wh=5500\n");
}

TEST_CASE("a total counts before its tariffs, the sum of power before import and export") {
  const std::vector<Register> registers = {had("1.8.0", "300.0", "kWh"), had("1.8.1", "100.0", "kWh"),
                                           had("1.7.0", "900", "W"),     had("2.7.0", "100", "W"),
                                           had("16.7.0", "-77", "W"),    had("1.8.0*01", "1.0", "kWh")};
  CHECK(taken(obis::usual_reads(), registers) == "@0 power_w=-77 energy_wh=300000\n");
  CHECK(taken({read_of(Quantity::power, "1.7.0", "2.7.0")}, registers) == "@0 power_w=800\n");
  CHECK(taken({read_of(Quantity::power, "1.7.0", "9.9.9", {-1, 0})}, registers) == "@0 power_w=-900\n");
}

TEST_CASE("no value is no fault, a unit that is another's, or none for power, is one") {
  CHECK(taken({read_of(Quantity::power), read_of(Quantity::voltage)},
              {{obis::parse_code("1.7.0").value(), std::nullopt, "kW"}, had("32.7.0", "230", "V")}) ==
        "@0 voltage_v=230\n");
  CHECK(taken({read_of(Quantity::power)}, {had("1.7.0", "3", "kvar")}) ==
        "@0 mismatch: power: the register 1.7.0 has the unit \"kvar\"\n");
  CHECK(taken({read_of(Quantity::energy)}, {had("1.8.0", "3", "")}).find("has no unit") != std::string::npos);
  CHECK(taken({read_of(Quantity::energy, "1.8.0", "", {1000, 0})}, {had("1.8.0", "3.25", "")}) ==
        "@0 energy_wh=3250\n");
  CHECK(taken({read_of(Quantity::energy, "1.8.0", "", {10, -1})}, {had("1.8.0", "3", "")}) == "@0 energy_wh=3\n");
  // A sum without one of its parts would be a counter that jumps.
  CHECK(taken({read_of(Quantity::energy), read_of(Quantity::power)},
              {had("1.8.1", "1", "kWh"),
               {obis::parse_code("1.8.2").value(), std::nullopt, "kWh"},
               had("1.7.0", "1", "W")}) == "@0 power_w=1\n");
}

TEST_CASE("a read-out without what is asked says what it has") {
  CHECK(taken({read_of(Quantity::power)}, {had("0.0.0", "1", ""), had("1-0:1.8.0", "1", "kWh")}) ==
        "@0 mismatch: a good read-out without what the profile reads; it has 0.0.0, 1-0:1.8.0\n");
}

TEST_CASE("a sum or difference beyond what a reading holds is a fault, no number") {
  const std::string out =
      taken({read_of(Quantity::energy)}, {had("1.8.1", "8999999999", "Wh"), had("1.8.2", "8999999999", "Wh")});
  CHECK(out.find("out of range") != std::string::npos);
  CHECK(out.find("energy_wh") == std::string::npos);
}

TEST_CASE("a profile's code that is none is refused") {
  CHECK_FALSE(RegisterPlan::make({read_of(Quantity::power, "1-0")}).has_value());
  CHECK_FALSE(RegisterPlan::make({read_of(Quantity::power, "1.7.0", "x")}).has_value());
}

}  // namespace nightwatt::drivers
