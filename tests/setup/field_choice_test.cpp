// Which column is what, said by hand. The lines are synthetic.
#include "setup/field_choice.hpp"

#include <catch2/catch.hpp>

#include "drivers/decoder.hpp"
#include "drivers/protocols.hpp"
#include "tests/drivers/stream.hpp"

using namespace nightwatt;
using namespace nightwatt::setup;

namespace {

/// Columns that nothing tells apart: watts, milliamperes, kilowatt-hours.
const std::vector<std::string> lines = {"24.41,106,1.2340", "24.39,106,1.2340", "24.55,107,1.2341", "24.40,106,1.2341"};

std::vector<drivers::Measurement> read_with(const std::vector<ChosenField>& fields) {
  const MeterProfile profile = text_profile({TextForm::csv, TextChecksum::none}, {}, fields);
  drivers::Output out;
  auto decoder = drivers::make_capture_decoder(profile).value();
  for (const std::string& line : lines) decoder->feed(test::from_text(line + "\n"), out);
  decoder->finish(out);
  CHECK(out.faults.empty());
  return out.readings;
}

}  // namespace

TEST_CASE("columns of energy and current are given by hand with their units, and read so") {
  const auto guess = guess_text(lines);
  REQUIRE(guess);
  std::vector<ChosenField> others;
  REQUIRE(assign_fields(*guess, "energy=3:kWh, current=2:mA", "1", others));
  REQUIRE(others.size() == 2);
  std::vector<ChosenField> fields = {{Quantity::power, "1", {1, 0}, 0.01, {}}};
  fields.insert(fields.end(), others.begin(), others.end());
  const auto readings = read_with(fields);
  REQUIRE(readings.size() == lines.size());
  const Values& last = readings.back().values;
  CHECK(last.get(Quantity::power)->text() == "24.40");
  CHECK(last.get(Quantity::energy)->value() == Approx(1234.1));
  CHECK(last.get(Quantity::current)->value() == Approx(0.106));
  CHECK(others[0].resolution == Approx(0.1));
  CHECK(others[1].resolution == Approx(0.001));
}

TEST_CASE("what is said by hand takes the place of what was guessed, of the quantity and of the column") {
  const auto guess = guess_text(lines);
  REQUIRE(guess);
  std::vector<ChosenField> others = {{Quantity::energy, "2", {1, 0}, {}, {}}, {Quantity::voltage, "3", {1, 0}, {}, {}}};
  REQUIRE(assign_fields(*guess, "energy=3", "1", others));
  REQUIRE(others.size() == 1);
  CHECK(others[0].quantity == Quantity::energy);
  CHECK(others[0].field == "3");
}

TEST_CASE("words that name no quantity, column or unit are refused, and what was chosen stays") {
  const auto guess = guess_text(lines);
  REQUIRE(guess);
  std::vector<ChosenField> others = {{Quantity::energy, "3", {1, 0}, {}, {}}};
  for (const char* words :
       {"energy", "energy=9", "heat=2", "power=2", "energy=1", "current=2:parsec", "current=2,energy=9"}) {
    INFO(words);
    const auto assigned = assign_fields(*guess, words, "1", others);
    REQUIRE_FALSE(assigned);
    CHECK(assigned.error().kind == ErrorKind::input);
    CHECK(others.size() == 1);
  }
}
