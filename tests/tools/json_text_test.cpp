// What the JSON writer writes, read by an independent parser.
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>
#include <random>

#include "text/json_text.hpp"

using namespace nightwatt;
using namespace nightwatt::text;

namespace {

template <class Write>
std::string written(const Write& write) {
  std::string text;
  {
    Sink sink(text);
    JsonWriter json(sink);
    write(json);
  }
  return text;
}

}  // namespace

TEST_CASE("objects and arrays nest with their commas in place") {
  const std::string text = written([](JsonWriter& json) {
    json.begin_object().field("a", 1).key("list").begin_array();
    json.line_break().begin_object().end_object().line_break().begin_object().field("b", true).end_object();
    json.end_array().key("empty").begin_array().end_array().field("none", std::optional<double>()).end_object();
  });
  const auto parsed = nlohmann::json::parse(text);
  CHECK(parsed == nlohmann::json::parse(R"({"a":1,"list":[{},{"b":true}],"empty":[],"none":null})"));
}

TEST_CASE("a double reads back as exactly the same double") {
  constexpr unsigned seed = 11;
  INFO("seed " << seed);
  std::mt19937_64 random(seed);
  std::uniform_real_distribution<double> exponent(-300.0, 300.0);
  for (int i = 0; i < 5000; ++i) {
    const double number =
        (i % 2 == 0 ? 1.0 : -1.0) * std::pow(10.0, i % 3 == 0 ? exponent(random) : exponent(random) / 60.0);
    const auto parsed = nlohmann::json::parse(written([&](JsonWriter& json) { json.value(number); }));
    REQUIRE(parsed.get<double>() == number);
  }
  CHECK(written([](JsonWriter& json) { json.value(25.02); }) == "25.02");
  CHECK(written([](JsonWriter& json) { json.value(1000000.0); }) == "1000000");
}

TEST_CASE("what is no number is null") {
  CHECK(written([](JsonWriter& json) { json.value(std::nan("")); }) == "null");
  CHECK(written([](JsonWriter& json) { json.value(std::numeric_limits<double>::infinity()); }) == "null");
}

TEST_CASE("any bytes as text give valid JSON that holds no raw control character") {
  constexpr unsigned seed = 3;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  for (int i = 0; i < 2000; ++i) {
    std::string bytes;
    for (auto j = random() % 20; j > 0; --j) bytes += static_cast<char>(random() % 256);
    const std::string text = written([&](JsonWriter& json) { json.value(bytes); });
    REQUIRE(nlohmann::json::accept(text));
    for (const char c : text) REQUIRE((static_cast<unsigned char>(c) >= 0x20 && c != 0x7f));
  }
  const std::string name = "Möwe \"鴎\" \\ \x1b[31m";
  CHECK(nlohmann::json::parse(written([&](JsonWriter& json) { json.value(name); })).get<std::string>() == name);
}

TEST_CASE("a decimal keeps the meter's digits and a time is UTC") {
  CHECK(written([](JsonWriter& json) { json.value(Decimal{2440, -1}); }) == "244.0");
  CHECK(written([](JsonWriter& json) { json.value(UtcTime{1'767'646'800'000'000}); }) ==
        "\"2026-01-05T21:00:00.000Z\"");
}
