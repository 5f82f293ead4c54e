// What is guessed of a meter's lines. The lines are synthetic, in the forms that docs/meters.md describes.
#include "setup/text_guess.hpp"
#include "drivers/protocols.hpp"

#include <catch2/catch.hpp>
#include <string>
#include <vector>

using namespace nightwatt;
using namespace nightwatt::setup;

namespace {

TextGuess must(std::optional<TextGuess> guess) {
  REQUIRE(guess);
  return *guess;
}

TextGuess guess_of(const std::vector<std::string>& lines) {
  return must(guess_text(lines));
}

const TextField& field_of(const TextGuess& guess, const std::string& name) {
  for (const TextField& field : guess.fields)
    if (field.field == name) return field;
  FAIL("no field " << name);
  return guess.fields.front();
}

std::string with_check(const std::string& inside) {
  unsigned sum = 0;
  for (const char c : inside) sum ^= static_cast<unsigned char>(c);
  char check[8];
  std::snprintf(check, sizeof check, "*%02X", sum);
  return "$" + inside + check;
}

}  // namespace

TEST_CASE("columns: the clock rises, the voltage stands at the mains', what is left is the power") {
  const auto guess = guess_of({"12345,24.41,229.8", "13345,24.39,229.9", "14345,24.55,229.7", "15345,24.40,230.1"});
  CHECK(guess.settings == TextLineSettings{TextForm::csv, TextChecksum::none});
  REQUIRE(guess.fields.size() == 3);
  CHECK(guess.share == 1.0);
  CHECK_FALSE(field_of(guess, "1").probably);
  CHECK(field_of(guess, "2").probably == Quantity::power);
  CHECK(field_of(guess, "3").probably == Quantity::voltage);
  CHECK(field_of(guess, "2").values.back().text() == "24.40");
}

TEST_CASE("a line of names tells the columns, and their units' factors") {
  const auto guess = guess_of({"# time;power_mW;u", "1;24410;229,8", "2;24390;229,9", "3;24550;229,7"});
  CHECK(field_of(guess, "2").name == "power_mW");
  CHECK(field_of(guess, "2").probably == Quantity::power);
  CHECK(field_of(guess, "2").scale == Decimal{1, -3});
  CHECK(field_of(guess, "3").probably == Quantity::voltage);
}

TEST_CASE("named values are known by their names, whatever stands between them") {
  for (const char* line : {"V=230.1 I=0.521 P=118.4", "V:230.1, I:0.521, P:118.4", "V = 230.1; I = 0.521; P = 118.4"}) {
    INFO(line);
    const auto guess = guess_of({line, line, line});
    CHECK(guess.settings.form == TextForm::key_value);
    CHECK(field_of(guess, "V").probably == Quantity::voltage);
    CHECK(field_of(guess, "I").probably == Quantity::current);
    CHECK(field_of(guess, "P").probably == Quantity::power);
  }
}

TEST_CASE("a unit behind the number tells what it is, and is left to the decoder") {
  const auto guess = guess_of({"a=118.4W b=229.9V c=0.52A", "a=118.5W b=229.8V c=0.52A", "a=1.2kW b=229.8V c=5.2A"});
  CHECK(field_of(guess, "a").probably == Quantity::power);
  CHECK(field_of(guess, "a").says_unit);
  CHECK(field_of(guess, "a").values.back() == Decimal{1200, 0});
  CHECK(field_of(guess, "b").probably == Quantity::voltage);
  CHECK(field_of(guess, "c").probably == Quantity::current);
}

TEST_CASE("JSON objects are known by their keys, nested ones by the way to them, what is no number is no field") {
  const auto guess =
      guess_of({R"({"id": "x1", "power": 24.4, "voltage": 229.8, "more": {"power": 1}, "energy": 6825})",
                R"({"id": "x1", "power": 24.5, "voltage": 229.9, "more": {"power": 1}, "energy": 6825})"});
  CHECK(guess.settings.form == TextForm::json);
  CHECK(guess.fields.size() == 4);
  CHECK(field_of(guess, "power").probably == Quantity::power);
  CHECK_FALSE(field_of(guess, "more.power").probably);  // the second of its name
  CHECK(field_of(guess, "energy").probably == Quantity::energy);
}

TEST_CASE("a check at the end of the lines is seen and obeyed") {
  const auto guess = guess_of(
      {with_check("1,25.0,229.8"), with_check("2,25.1,229.9"), with_check("3,25.0,229.7"), "$4,99.9,229.7*00"});
  CHECK(guess.settings.checksum == TextChecksum::xor_nmea);
  CHECK(field_of(guess, "2").values.size() == 3);  // not the one whose check is wrong
  CHECK(field_of(guess, "2").probably == Quantity::power);
}

TEST_CASE("where two columns may be the power, none is suggested") {
  const auto guess = guess_of({"25.0,3.1", "25.1,3.3", "24.9,3.0"});
  CHECK_FALSE(field_of(guess, "1").probably);
  CHECK_FALSE(field_of(guess, "2").probably);
}

TEST_CASE("a lone column is the power, also while it rises") {
  CHECK(field_of(guess_of({"25.0", "25.1", "25.2"}), "1").probably == Quantity::power);
}

TEST_CASE("banners, words and noise hold no number and give no guess") {
  CHECK_FALSE(guess_text(std::vector<std::string>{"Hello from the bench", "ready", "ok"}));
  CHECK_FALSE(guess_text(std::vector<std::string>{}));
  const auto guess = guess_of({"Hello from the bench meter", "25.0,229.8", "25.1,229.8", "25.0,229.9", "25.1,230.0"});
  CHECK(field_of(guess, "1").probably == Quantity::power);
  CHECK(field_of(guess, "2").probably == Quantity::voltage);
}

TEST_CASE("of what comes from a port, half lines at both ends do not count") {
  CHECK(whole_lines("99,1\r\n25.0,2\r\n25.1,3\r\n25.") == std::vector<std::string>{"25.0,2", "25.1,3"});
  CHECK(whole_lines("no end").empty());
  CHECK(whole_lines("\n\n\n").empty());
  std::string endless;
  for (int i = 0; i < 1000; ++i) endless += "25.0\n";
  CHECK(whole_lines(endless).size() == guess_line_limit);
}

TEST_CASE("noise of a wrong speed is told from text") {
  CHECK(text_share("25.0,229.8\r\n") == 1.0);
  CHECK(text_share("\xf8\x80\x1c\x00zz\xff\xe0") < 0.5);
  CHECK(text_share("") == 0.0);
}

TEST_CASE("the step that digits show is scaled as the values are") {
  const std::vector<Decimal> values = {{2441, -2}, {244, -1}};
  CHECK(*shown_step(values, {1, 0}) == Approx(0.01));
  const std::vector<Decimal> milliwatts = {{24410, 0}};
  CHECK(*shown_step(milliwatts, {1, -3}) == Approx(0.001));
  CHECK_FALSE(shown_step({}, {1, 0}));
}

TEST_CASE("units are taken by their words or as a factor") {
  CHECK(scale_from("W") == Decimal{1, 0});
  CHECK(scale_from("mW") == Decimal{1, -3});
  CHECK(scale_from("kWh") == Decimal{1, 3});
  CHECK(scale_from("0.1") == Decimal{1, -1});
  CHECK(scale_from("-1") == Decimal{-1, 0});
  CHECK_FALSE(scale_from("0"));
  CHECK_FALSE(scale_from("horses"));
  CHECK_FALSE(scale_from(""));
}

TEST_CASE("a counter on its way past 230 is no voltage") {
  const auto guess = guess_of({"188,24.4", "189,24.3", "190,24.5", "191,24.4"});
  CHECK_FALSE(field_of(guess, "1").probably);
  CHECK(field_of(guess, "2").probably == Quantity::power);
}

TEST_CASE("zeros show no step") {
  const std::vector<Decimal> zeros = {{0, -1}, {0, -1}};
  CHECK_FALSE(shown_step(zeros, {1, 0}));
}

TEST_CASE("values in objects within objects are found, with the way to them") {
  const auto guess = guess_of(
      {R"({"id":1,"meter":{"power":12.5,"voltage":230.1}})", R"({"id":1,"meter":{"power":12.6,"voltage":230.0}})"});
  CHECK(guess.settings.form == TextForm::json);
  CHECK(field_of(guess, "meter.power").probably == Quantity::power);
  CHECK(field_of(guess, "meter.power").values.back().text() == "12.6");
  CHECK(field_of(guess, "meter.voltage").probably == Quantity::voltage);
}
