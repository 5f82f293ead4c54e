#include "measure/signal/decimal.hpp"

#include <catch2/catch.hpp>
#include <charconv>
#include <cmath>
#include <cstdlib>
#include <random>

using nightwatt::Decimal;

namespace {

std::string text_of(std::string_view text) {
  const auto number = Decimal::parse(text);
  return number ? number->text() : "none";
}

}  // namespace

TEST_CASE("a decimal keeps the digits the meter said") {
  CHECK(text_of("25.00") == "25.00");
  CHECK(text_of("25.0") == "25.0");
  CHECK(text_of("-12") == "-12");
  CHECK(text_of("+2.304E+02") == "230.4");
  CHECK(text_of("0.05") == "0.05");
  CHECK(text_of("-0.05") == "-0.05");
  CHECK(text_of(".5") == "0.5");
  CHECK(text_of("5.") == "5");
  CHECK(text_of("007") == "7");
  CHECK(text_of("-0.00") == "0.00");
  CHECK(text_of("12e3") == "12000");
  CHECK(text_of("0.000000001") == "0.000000001");
  CHECK(text_of("8999999999.999999999") == "8999999999.999999999");
  CHECK(text_of("0e99") == "0");
  CHECK(text_of("1000000000000000000000e-15") == "1000000.000000000");
  CHECK(text_of("00000000000000000000000000025.5") == "25.5");
}

TEST_CASE("digits below 1e-9 are rounded half to even") {
  CHECK(text_of("0.0000000005") == "0.000000000");
  CHECK(text_of("0.0000000015") == "0.000000002");
  CHECK(text_of("0.00000000050000000000000000000000001") == "0.000000001");
  CHECK(text_of("1.00000000049999999999999999999") == "1.000000000");
  CHECK(text_of("-2.5e-9") == "-0.000000002");
  CHECK(text_of("1e-300") == "0.000000000");
}

TEST_CASE("what is no number or out of range is none") {
  for (const char* text : {"",
                           "-",
                           "+",
                           ".",
                           "e5",
                           "1e",
                           "1e+",
                           "1.2.3",
                           "1,5",
                           " 1",
                           "1 ",
                           "0x10",
                           "nan",
                           "NaN",
                           "inf",
                           "-inf",
                           "1W",
                           "--1",
                           "9e9",
                           "9000000000",
                           "-9e9",
                           "1e10",
                           "1e999999999999",
                           "99999999999999999999"})
    CHECK(text_of(text) == "none");
  CHECK(text_of(std::string(10'000'000, '9')) == "none");
  CHECK(text_of(std::string_view("1\0", 2)) == "none");
}

TEST_CASE("a parsed decimal is the double that strtod reads, for every text of up to 15 digits") {
  std::mt19937_64 random(20260105);  // seed printed by being here
  for (int i = 0; i < 200'000; ++i) {
    std::string text;
    if (random() % 2 == 0) text += '-';
    const auto whole = random() % 5;
    for (std::uint64_t d = 0; d <= whole; ++d) text += static_cast<char>('0' + random() % 10);
    if (const auto decimals = random() % 9; decimals > 0) {
      text += '.';
      for (std::uint64_t d = 0; d < decimals; ++d) text += static_cast<char>('0' + random() % 10);
    }
    const auto number = Decimal::parse(text);
    REQUIRE(number.has_value());
    CAPTURE(text);
    REQUIRE(number->value() == std::strtod(text.c_str(), nullptr));
    REQUIRE(*Decimal::parse(number->text()) == *number);
    REQUIRE(Decimal::parse(number->text())->exponent == number->exponent);
  }
}

TEST_CASE("a float's decimal is the shortest that reads back as the same float") {
  CHECK(Decimal::from_float(25.02F)->text() == "25.02");
  CHECK(Decimal::from_float(230.4F)->text() == "230.4");
  CHECK(Decimal::from_float(244.0F)->text() == "244");
  CHECK(Decimal::from_double(0.1)->text() == "0.1");
  CHECK(Decimal::from_float(0.0F)->value() == 0.0);
  CHECK_FALSE(Decimal::from_float(std::nanf("")).has_value());
  CHECK_FALSE(Decimal::from_float(HUGE_VALF).has_value());
  CHECK_FALSE(Decimal::from_float(1e30F).has_value());
  std::mt19937 random(7);
  for (int i = 0; i < 100'000; ++i) {
    const float value = std::ldexp(static_cast<float>(random() % (1U << 24U)), static_cast<int>(random() % 20) - 15);
    if (value >= 8.9e9F) continue;
    const auto number = Decimal::from_float(value);
    REQUIRE(number.has_value());
    REQUIRE(std::strtof(number->text().c_str(), nullptr) == value);
  }
}

TEST_CASE("decimals of different digits compare by value") {
  CHECK(*Decimal::parse("25.0") == *Decimal::parse("25.00"));
  CHECK(*Decimal::parse("25e0") == *Decimal::parse("2.5e1"));
  CHECK_FALSE(*Decimal::parse("25.0") == *Decimal::parse("25.01"));
  CHECK(Decimal{8, 9} == *Decimal::parse("8000000000.000000000"));
  CHECK(*Decimal::parse("0.00") == Decimal{0, 0});
}

TEST_CASE("any decimal can be brought to the finest exponent, none to a coarser one") {
  CHECK(Decimal::parse("-8999999999.5")->mantissa_at(-9) == -8'999'999'999'500'000'000);
  CHECK(Decimal::parse("25.00")->mantissa_at(-3) == 25'000);
  CHECK_FALSE(Decimal::parse("25.00")->mantissa_at(-1).has_value());
  CHECK_FALSE((Decimal{INT64_MAX, 0}.mantissa_at(-9).has_value()));
}

TEST_CASE("a scale keeps the meter's digits and adds none of its own") {
  const auto times = [](const char* a, const char* b) {
    const auto product = Decimal::parse(a)->times(*Decimal::parse(b));
    return product ? product->text() : "none";
  };
  CHECK(times("2501", "0.01") == "25.01");
  CHECK(times("2500", "0.010") == "25.00");
  CHECK(times("25.00", "1.0") == "25.00");
  CHECK(times("6.825", "1000") == "6825");
  CHECK(times("25.001", "1000.0") == "25001");
  CHECK(times("25.0", "-1") == "-25.0");
  CHECK(times("0.000000001", "0.5") == "0.000000000");
  CHECK(times("0.000000003", "0.5") == "0.000000002");
  CHECK(times("8000000000", "2") == "none");
  CHECK(times("0", "1e9") == "0");
  CHECK(Decimal{5, 9}.times(Decimal{1, 0})->value() == 5e9);
}
