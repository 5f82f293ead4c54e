#include <catch2/catch.hpp>

#include "tests/drivers/stream.hpp"
#include "text/field.hpp"

namespace nightwatt::drivers {

namespace {

using test::from_text;

struct Wanted {
  Quantity quantity;
  int column;
  const char* key = "";
  Decimal scale = {1, 0};
};

MeterProfile text_profile(TextForm form, std::vector<Wanted> wanted, TextChecksum checksum = TextChecksum::none) {
  MeterProfile profile;
  profile.protocol = TextLineSettings{form, checksum};
  for (const Wanted& want : wanted) {
    ReadSpec read;
    read.quantity = want.quantity;
    read.column = want.column;
    read.key = want.key;
    read.scale = want.scale;
    profile.reads.push_back(read);
  }
  return profile;
}

MeterProfile csv(std::vector<Wanted> wanted) {
  return text_profile(TextForm::csv, std::move(wanted));
}
/// Power in column 3, voltage in column 1.
MeterProfile csv_vp() {
  return csv({{Quantity::voltage, 1}, {Quantity::power, 3}});
}
MeterProfile key_value() {
  return text_profile(TextForm::key_value, {{Quantity::voltage, 0, "V"}, {Quantity::power, 0, "P"}});
}
MeterProfile json() {
  return text_profile(TextForm::json, {{Quantity::voltage, 0, "v"}, {Quantity::power, 0, "p"}});
}

/// What a live meter's text gives, after a first line that is dropped.
std::string live(const MeterProfile& profile, std::string_view text, std::string_view opening = "half\n") {
  auto decoder = make_decoder(profile).value();
  Output out;
  decoder->feed(from_text(opening), Duration{0}, out);
  REQUIRE(out.readings.empty());
  REQUIRE(out.faults.empty());
  decoder->feed(from_text(text), Duration{0}, out);
  return test::described(out);
}

std::string captured(const MeterProfile& profile, std::string_view text) {
  return test::described(test::decode_whole(profile, from_text(text)));
}

}  // namespace

TEST_CASE("csv columns are taken with any of the four separators") {
  CHECK(live(csv_vp(), "230.1,0.52,118\n") == "@5 power_w=118 voltage_v=230.1\n");
  CHECK(live(csv_vp(), "230.1;0.52;118\r\n") == "@5 power_w=118 voltage_v=230.1\n");
  CHECK(live(csv_vp(), "230.1\t0.52\t118\r") == "@5 power_w=118 voltage_v=230.1\n");
  CHECK(live(csv_vp(), "  230.1   0.52 118 \n") == "@7 power_w=118 voltage_v=230.1\n");
}

TEST_CASE("a decimal comma is read where the separator is a semicolon or a tab") {
  CHECK(live(csv_vp(), "230,1;0,52;118,25\n") == "@5 power_w=118.25 voltage_v=230.1\n");
  CHECK(live(csv_vp(), "230,1\t0,52\t118,25\n") == "@5 power_w=118.25 voltage_v=230.1\n");
}

TEST_CASE("numbers keep the meter's digits and a scale is exact") {
  const MeterProfile milliwatts = csv({{Quantity::power, 2, "", {1, -3}}});
  CHECK(live(milliwatts, "7,25000\n") == "@5 power_w=25.000\n");
  CHECK(live(milliwatts, "7,+2.5E+04\n") == "@5 power_w=25\n");
  CHECK(live(milliwatts, "7,-00120.50\n") == "@5 power_w=-0.12050\n");
}

TEST_CASE("the first line after opening is not used, however good it looks") {
  // Half of 230.1 is 30.1: a wrong figure.
  CHECK(live(csv_vp(), "231.0,0.5,117\n", "30.1,0.52,118\n") == "@14 power_w=117 voltage_v=231.0\n");
  CHECK(live(key_value(), "V=231 P=117\n", "1 P=118\n") == "@8 power_w=117 voltage_v=231\n");
}

TEST_CASE("the first line of a meter that reports on change is used where a long silence goes before it") {
  using namespace std::chrono_literals;
  const auto heard_after = [](Duration silence, bool on_change) {
    MeterProfile profile = csv_vp();
    profile.on_change = on_change;
    auto decoder = make_decoder(profile).value();
    Output out;
    decoder->reset(5s);
    decoder->feed(from_text("230.1,"), 5s + silence, out);
    decoder->feed(from_text("0.52,118\n"), 5s + silence + 20ms, out);
    return test::described(out);
  };
  CHECK(heard_after(10s, true) == "@0 power_w=118 voltage_v=230.1\n");
  CHECK(heard_after(9s, true).empty());
  // A cable put in while such a meter speaks makes half a line.
  CHECK(heard_after(10s, false).empty());
}

TEST_CASE("a first line that its form proves whole is used") {
  auto decoder = make_decoder(json()).value();
  Output out;
  decoder->feed(from_text("{\"v\":230.1,\"p\":118}\n"), Duration{0}, out);
  CHECK(test::described(out) == "@0 power_w=118 voltage_v=230.1\n");
}

TEST_CASE("a captured first line is used where the next one shows that it is whole") {
  CHECK(captured(csv_vp(), "230.1,0.52,118\n230.2,0.52,119\n") ==
        "@0 power_w=118 voltage_v=230.1\n@15 power_w=119 voltage_v=230.2\n");
  CHECK(captured(csv_vp(), "0.1,0.52,118\n230.2,0.52,119\n") == "@13 power_w=119 voltage_v=230.2\n");
  CHECK(captured(csv_vp(), "0.52,118\n230.2,0.52,119\n") == "@9 power_w=119 voltage_v=230.2\n");
  CHECK(captured(csv_vp(), "230.1,0.52,118\n") == "@0 power_w=118 voltage_v=230.1\n");
  CHECK(captured(csv_vp(),
                 "\xEF\xBB\xBF"
                 "230.1,0.52,118\n") == "@3 power_w=118 voltage_v=230.1\n");
}

TEST_CASE("a captured last line without its end is a fault, unless its form proves it whole") {
  CHECK(captured(csv_vp(), "230.1,0.52,118\n230.2,0.52,11") ==
        "@0 power_w=118 voltage_v=230.1\n"
        "@15 malformed: the last line has no end and may be cut: \"230.2,0.52,11\"\n");
  CHECK(captured(json(), "{\"v\":230.1,\"p\":118}") == "@0 power_w=118 voltage_v=230.1\n");
}

TEST_CASE("banner, header and comment lines are skipped without a fault") {
  CHECK(live(csv_vp(), "Skerry meter, ready\n# 230,1,118\n// note\nV,I,P\n\n\r\nV [V],I [A],P [W]\n230.1,0.52,118\n")
            .find("power_w=118") != std::string::npos);
  CHECK(live(csv_vp(), "Skerry meter, ready\nV,I,P\nboot 3 ok\n").empty());
  CHECK(live(key_value(), "Skerry meter, ready\nheap=1234\nlink: up\n").empty());
  CHECK(live(json(), "Skerry meter, ready\n{\"boot\":1}\n").empty());
}

TEST_CASE("a line that should be data and is damaged is a fault") {
  CHECK(live(csv_vp(), "230.1,0.52\n") == "@5 malformed: column 3 is missing, the line has 2: \"230.1,0.52\"\n");
  CHECK(live(csv_vp(), "230.1,0.52,1x8\n") == "@5 malformed: power is no number: \"1x8\"\n");
  CHECK(live(csv_vp(), "2a0.1,0.52,118\n") == "@5 malformed: voltage is no number: \"2a0.1\"\n");
  CHECK(live(csv_vp(), "23.0.1,0.52,118\n") == "@5 malformed: voltage is no number: \"23.0.1\"\n");
  CHECK(live(key_value(), "V=230.1 I=0.5\n") == "@5 malformed: key P is missing: \"V=230.1 I=0.5\"\n");
  CHECK(live(json(), "{\"v\":230.1,\"p\":1\n").find("@5 malformed: no JSON object") == 0);
  CHECK(live(json(), ":230.1,\"p\":1}\n").find("the beginning of the object is missing") != std::string::npos);
}

TEST_CASE("a lost separator does not move values into other columns") {
  CHECK(live(csv({{Quantity::power, 2}}), "230.1,118,50.0\n230.2118,50.0\n230.3,119,50.0\n") ==
        "@5 power_w=118\n@34 power_w=119\n"
        "@20 malformed: 2 columns where the lines before have 3: \"230.2118,50.0\"\n");
}

TEST_CASE("a new layout is believed when three lines running agree on it") {
  CHECK(live(csv({{Quantity::power, 2}}), "1,10,3\n1,11\n1,12\n1,13\n1,14\n") ==
        "@5 power_w=10\n@22 power_w=13\n@27 power_w=14\n"
        "@12 malformed: 2 columns where the lines before have 3: \"1,11\"\n"
        "@17 malformed: 2 columns where the lines before have 3: \"1,12\"\n");
}

TEST_CASE("key-value takes equals and colon, blanks, commas and semicolons, and lone units") {
  const std::string one = " power_w=118 voltage_v=230.1\n";
  CHECK(live(key_value(), "V=230.1 I=0.52 P=118\n") == "@5" + one);
  CHECK(live(key_value(), "V:230.1,I:0.52,P:118\n") == "@5" + one);
  CHECK(live(key_value(), "V: 230.1 V; I: 0.52 A; P: 118 W\n") == "@5" + one);
  CHECK(live(key_value(), "t = 17 V = 230.1 P = 118\n") == "@5" + one);
  CHECK(live(key_value(), "V=230,1 I=0,52 P=118\n") == "@5" + one);
  CHECK(live(key_value(), "VV=1,V=230.1,PP=2,P=118,1=5\n") == "@5" + one);
  CHECK(live(key_value(), "V=230.1 V=231 P=118\n").find("stands twice") != std::string::npos);
}

TEST_CASE("a cut key-value line is known by the key that good lines begin with") {
  const MeterProfile profile = text_profile(TextForm::key_value, {{Quantity::power, 0, "P"}});
  CHECK(live(profile, "V=230.1 P=118\nV=230.2 I=0\nheap=5\n") ==
        "@5 power_w=118\n@19 malformed: key P is missing: \"V=230.2 I=0\"\n");
}

TEST_CASE("JSON lines are read with numbers exactly as written") {
  CHECK(live(json(), "{\"v\":230.10,\"p\":1.180e2}\n") == "@5 power_w=118.0 voltage_v=230.10\n");
  CHECK(live(json(), " { \"x\" : {\"p\":[1,{\"p\":2}]}, \"s\" : \"a\\\"}b\", \"p\" : 118 , \"v\" : 230 } \n") ==
        "@6 power_w=118 voltage_v=230\n");
  CHECK(live(json(), "{\"v\":\"230.1 V\",\"p\":\"118\"}\n") == "@5 power_w=118 voltage_v=230.1\n");
  CHECK(live(json(), "{\"v\":230,\"p\":118}{\n").find("malformed") != std::string::npos);
  CHECK(live(json(), "{\"v\":230,\"p\":true}\n").find("power is no number") != std::string::npos);
  CHECK(live(json(), "{\"v\":230,\"p\":1,\"p\":2}\n").find("stands twice") != std::string::npos);
  const std::string deep = "{\"x\":" + std::string(500, '[') + std::string(500, ']') + ",\"v\":1,\"p\":2}\n";
  CHECK(live(json(), deep).find("no JSON object") != std::string::npos);
}

TEST_CASE("keys in objects within are named with the way to them") {
  const MeterProfile nested =
      text_profile(TextForm::json, {{Quantity::power, 0, "meter.power"}, {Quantity::voltage, 0, "meter.mains.v"}});
  CHECK(live(nested, "{\"id\":7,\"meter\":{\"power\":12.5,\"mains\":{\"v\":230.1}},\"power\":99}\n") ==
        "@5 power_w=12.5 voltage_v=230.1\n");
  CHECK(live(nested, "{\"meter\":{\"power\":12.5}}\n").find("key meter.mains.v is missing") != std::string::npos);
  CHECK(live(nested, "{\"meter\":{\"power\":12.5,\"mains\":{\"v\":230.1}\n").find("no JSON object") !=
        std::string::npos);
  // A key with a dot in the object itself is that key.
  CHECK(live(text_profile(TextForm::json, {{Quantity::power, 0, "a.b"}}), "{\"a.b\":3}\n") == "@5 power_w=3\n");
}

TEST_CASE("the meter's no value leaves its quantity out, and nothing else is no reading") {
  for (const char* spelling :
       {"nan", "NaN", "NAN", "-nan", "inf", "-INF", "ovf", "OVF", "--", "---", "", "null", "n/a"}) {
    INFO(spelling);
    CHECK(live(csv_vp(), std::string("230.1,0.52,") + spelling + "\n") == "@5 voltage_v=230.1\n");
    CHECK(live(csv_vp(), std::string(spelling) + ",0.52," + spelling + "\n").empty());
  }
  CHECK(live(json(), "{\"v\":null,\"p\":118}\n") == "@5 power_w=118\n");
  CHECK(live(json(), "{\"v\":NaN,\"p\":null}\n").empty());
}

TEST_CASE("units glued to numbers are obeyed where no scale is given") {
  CHECK(live(csv_vp(), "230.1V,0.52A,118W\n") == "@5 power_w=118 voltage_v=230.1\n");
  CHECK(live(csv_vp(), "230100 mV,520mA,0.118kW\n230.1V,1A,950W\n") ==
        "@5 power_w=118 voltage_v=230.100\n@29 power_w=950 voltage_v=230.1\n");
  CHECK(live(csv({{Quantity::power_factor, 1}}), "87%\n") == "@5 power_factor=0.87\n");
  CHECK(live(csv({{Quantity::current, 1}}),
             "520\xC2\xB5"
             "A\n") == "@5 current_a=0.000520\n");
}

TEST_CASE("a scale was written for one unit: another one is a fault") {
  const MeterProfile milliwatts = csv({{Quantity::power, 1, "", {1, -3}}});
  CHECK(live(milliwatts, "118000mW\n1.2W\n117000mW\n") ==
        "@5 power_w=118.000\n@19 power_w=117.000\n"
        "@14 malformed: power has another unit than in the lines before: \"1.2W\"\n");
}

TEST_CASE("a number that lost its unit is a fault where the lines before had one") {
  CHECK(live(csv({{Quantity::power, 1}}), "1.02kW\n1.02\n1.03kW\n") ==
        "@5 power_w=1020\n@17 power_w=1030\n"
        "@12 malformed: power has another unit than in the lines before: \"1.02\"\n");
  // Three running are the meter's new way.
  CHECK(live(csv({{Quantity::power, 1}}), "1.02kW\n7\n8\n9\n").find("power_w=9") != std::string::npos);
}

TEST_CASE("a unit of another quantity is a fault") {
  CHECK(live(csv_vp(), "118W,0.52A,230.1V\n") == "@5 malformed: voltage has the unit of another quantity: \"118W\"\n");
}

TEST_CASE("the unit table knows prefixes and tells milli from mega") {
  using namespace text;
  CHECK(unit_meaning("MW", Quantity::power).factor == Decimal{1, 6});
  CHECK(unit_meaning("mW", Quantity::power).factor == Decimal{1, -3});
  CHECK(unit_meaning("kwh", Quantity::energy).factor == Decimal{1, 3});
  CHECK(unit_meaning("kWh", Quantity::energy_export).fit == UnitFit::known);
  CHECK(unit_meaning("VA", Quantity::apparent).fit == UnitFit::known);
  CHECK(unit_meaning("VA", Quantity::power).fit == UnitFit::foreign);
  CHECK(unit_meaning("var", Quantity::reactive).fit == UnitFit::known);
  CHECK(unit_meaning("degC", Quantity::power).fit == UnitFit::unknown);
}

TEST_CASE("NMEA 0183 checks are the exclusive or of what stands between $ and *") {
  const MeterProfile profile = text_profile(TextForm::csv, {{Quantity::power, 3}}, TextChecksum::xor_nmea);
  // Own vector; the sum was computed by hand with a calculator.
  CHECK(captured(profile, "$EMP,W,230.4,V,229.8*5D\r\n") == "@0 power_w=230.4\n");
  CHECK(captured(profile, "$EMP,W,230.5,V,229.8*5D\r\n") ==
        "@0 checksum: the check of the line is wrong: \"EMP,W,230.5,V,229.8\"\n");
  // A published sentence: its check is good, so that with column 2 it is a reading of 5057.970.
  const MeterProfile second = text_profile(TextForm::csv, {{Quantity::power, 2}}, TextChecksum::xor_nmea);
  CHECK(captured(second, "$GPGLL,5057.970,N,00146.110,E,142451,A*27\r\n") == "@0 power_w=5057.970\n");
  CHECK(captured(second, "$GPGLL,5057.970,N,00146.110,E,142451,A*28\r\n").find("checksum") != std::string::npos);
}

TEST_CASE("a checked line without its check or its beginning is a fault, other text is skipped") {
  const MeterProfile profile = text_profile(TextForm::csv, {{Quantity::power, 3}}, TextChecksum::xor_nmea);
  CHECK(captured(profile, "$EMP,W,230.4\r\n") ==
        "@0 malformed: the check at the end of the line is missing: \"$EMP,W,230.4\"\n");
  CHECK(captured(profile, "\nEMP,W,230.4,V,229.8*5D\r\n").find("the $ of a line with a check is missing") !=
        std::string::npos);
  CHECK(captured(profile, "ready\n1,2,3\n").empty());
  // Noise in front of the $ is no part of the line.
  CHECK(captured(profile, std::string("ready\n\xFF\0x$EMP,W,230.4,V,229.8*5D\r\n", 34)) == "@9 power_w=230.4\n");
  CHECK(captured(profile, "ready\nxx$EMP,W,230.4,V,229.8*5D\r\n") == "@8 power_w=230.4\n");
}

TEST_CASE("every flipped bit of a checked line is noticed") {
  const MeterProfile profile = text_profile(TextForm::csv, {{Quantity::power, 3}}, TextChecksum::xor_nmea);
  const std::string good = "$EMP,W,230.4,V,229.8*5D\r\n";
  for (std::size_t bit = 0; bit < (good.size() - 2) * 8; ++bit) {
    std::string damaged = good;
    damaged[bit / 8] = static_cast<char>(static_cast<unsigned char>(damaged[bit / 8]) ^ (1U << (bit % 8)));
    const Output out = test::decode_whole(profile, from_text(good + damaged + good));
    INFO("bit " << bit << "\n" << test::described(out));
    // Small letters in the two check digits are the same number.
    const bool same = (bit / 8 == 22) && bit % 8 == 5;
    CHECK(out.readings.size() == (same ? 3U : 2U));
  }
}

TEST_CASE("a line beyond 1024 characters is one fault and the next is found") {
  const std::string longest(1024 - 9, ' ');
  CHECK(live(csv({{Quantity::power, 2}}), "1," + longest + "118.255\n") == "@5 power_w=118.255\n");
  const std::string long_line = std::string(3000, '7') + "\n";
  CHECK(live(csv({{Quantity::power, 2}}), long_line + "1,118\n") ==
        "@3006 power_w=118\n@5 malformed: a line of more than 1024 characters\n");
}

TEST_CASE("noise and a wrong baud rate are faults and never figures") {
  CHECK(live(csv_vp(), "\x81\xfe\x99\xc3\n").find("a wrong baud rate looks like this") != std::string::npos);
  CHECK(live(csv_vp(), std::string("230.1,0.52,1") + '\0' + "8\n").find("malformed") != std::string::npos);
  // NUL behind a line, and before one whose first column is not read, does no harm.
  CHECK(live(csv({{Quantity::power, 2}}), std::string("1,118") + '\0' + "\n" + std::string(2, '\0') + "1,119\n") ==
        "@5 power_w=118\n@14 power_w=119\n");
  // NUL in place of the first digit: 230.1 would become 30.1.
  CHECK(live(csv_vp(), std::string(1, '\0') + "30.1,0.52,118\n") ==
        "@6 malformed: noise in front of the first column: \"30.1,0.52,118\"\n");
  // A meter that sends NUL with every line is believed from the second on.
  const std::string habit = std::string(1, '\0') + "230.1,0.52,118\n";
  const std::string twice = live(csv_vp(), habit + habit);
  CHECK(twice.find("@22 power_w=118") == 0);
}

TEST_CASE("a number too large is a range fault and its quantity is left out") {
  CHECK(live(csv_vp(), "230.1,0.52,99999999999\n") ==
        "@5 voltage_v=230.1\n@5 range: power is out of range: \"99999999999\"\n");
}

TEST_CASE("a pause within a line breaks it: its parts are not glued to one number") {
  auto decoder = make_decoder(csv({{Quantity::power, 1}})).value();
  Output out;
  decoder->feed(from_text("half\n117\n11"), Duration{0}, out);
  decoder->feed(from_text("118\n119\n"), Duration{3'000'000}, out);
  CHECK(test::described(out) == "@5 power_w=117\n@15 power_w=119\n@9 malformed: a line broken off by a pause\n");
  // A slow line is not a pause.
  decoder->feed(from_text("12"), Duration{4'000'000}, out);
  decoder->feed(from_text("0\n"), Duration{4'900'000}, out);
  CHECK(out.readings.size() == 3);
}

TEST_CASE("a lost port forgets half a line") {
  auto decoder = make_decoder(csv({{Quantity::power, 1}})).value();
  Output out;
  decoder->feed(from_text("half\n117\n11"), Duration{0}, out);
  decoder->reset(Duration{500'000});
  decoder->feed(from_text("8\n119\n"), Duration{600'000}, out);
  CHECK(test::described(out) == "@5 power_w=117\n@13 power_w=119\n");
  CHECK_FALSE(decoder->next_tick().has_value());
}

TEST_CASE("text lines give the same in any pieces") {
  std::mt19937 random(31337);
  INFO("seed 31337");
  std::string text;
  for (int i = 0; i < 500; ++i) {
    std::string line = std::to_string(220 + random() % 20) + "." + std::to_string(random() % 10) + ",0.5," +
                       std::to_string(random() % 200);
    if (random() % 6 == 0) line[random() % line.size()] = static_cast<char>(random() & 0xFFU);
    if (random() % 9 == 0) line.resize(random() % line.size());
    if (random() % 40 == 0) line += std::string(random() % 3000, 'x');
    if (random() % 15 == 0) line = "status ok";
    text += line + (random() % 2 == 0 ? "\r\n" : "\n");
  }
  const auto bytes = from_text(text);
  const auto run = [&](std::size_t longest, bool is_live) {
    Output out;
    if (is_live) {
      auto decoder = make_decoder(csv_vp()).value();
      test::in_pieces(bytes, random, longest, [&](auto piece) { decoder->feed(piece, Duration{0}, out); });
    } else {
      auto decoder = make_capture_decoder(csv_vp()).value();
      test::in_pieces(bytes, random, longest, [&](auto piece) { decoder->feed(piece, out); });
      decoder->finish(out);
    }
    return test::described(out);
  };
  for (const bool is_live : {true, false}) {
    const std::string whole = run(1'000'000, is_live);
    CHECK(whole.size() > 1000);
    CHECK(run(1, is_live) == whole);
    CHECK(run(7, is_live) == whole);
    CHECK(run(200, is_live) == whole);
  }
}

namespace {

/// Lines of a meter with a piece cut out here and there, as noise does it.
struct CutStream {
  std::string text;
  unsigned cut = 0;
  std::vector<std::string> good;  ///< the power in each whole line
};
CutStream cut_stream(std::mt19937& random, TextForm form) {
  CutStream stream;
  const auto fixed = [&](unsigned long whole, unsigned long part) {
    return std::to_string(whole) + "." + std::to_string(part);
  };
  for (int i = 0; i < 600; ++i) {
    const std::string volts = fixed(228 + random() % 4, random() % 10);
    const std::string amperes = "0.5" + std::to_string(random() % 10);
    const std::string watts = fixed(115 + random() % 9, random() % 10);
    std::string line = volts + "," + amperes + "," + watts;
    if (form == TextForm::key_value) line = "V=" + volts + " I=" + amperes + " P=" + watts;
    if (form == TextForm::json) line = "{\"v\":" + volts + ",\"i\":" + amperes + ",\"p\":" + watts + "}";
    if (i > 20 && random() % 6 == 0) {
      const std::size_t begin = random() % line.size();
      const std::size_t longest = line.size() - begin;
      line.erase(begin, random() % 3 == 0 ? longest : 1 + random() % std::min<std::size_t>(longest, 6));
      ++stream.cut;
    } else {
      stream.good.push_back(watts);
    }
    stream.text += line + "\r\n";
  }
  return stream;
}

}  // namespace

TEST_CASE("a cut line is known by its number of fields and by the digits behind its points") {
  // What is left: a digit lost in front of the point looks like another number.
  const auto wrong_of = [](TextForm form) {
    std::mt19937 random(127);
    const CutStream stream = cut_stream(random, form);
    const MeterProfile profile = text_profile(form, {{Quantity::voltage, 1, form == TextForm::json ? "v" : "V"},
                                                     {Quantity::power, 3, form == TextForm::json ? "p" : "P"}});
    const Output out = test::decode_whole(profile, from_text(stream.text));
    unsigned wrong = 0;
    std::size_t right = 0;
    for (const Measurement& reading : out.readings) {
      const std::string power = reading.values.get(Quantity::power)->text();
      const auto at = std::find(stream.good.begin() + static_cast<std::ptrdiff_t>(right), stream.good.end(), power);
      const bool in_range = reading.values.get(Quantity::voltage)->value() >= 228.0;
      if (at == stream.good.end() || at - stream.good.begin() > static_cast<std::ptrdiff_t>(right) + 3 || !in_range)
        ++wrong;
      else
        right = static_cast<std::size_t>(at - stream.good.begin()) + 1;
    }
    CHECK(right >= stream.good.size() - 3);
    INFO("seed 127");
    return std::pair(wrong, stream.cut);
  };
  const auto [csv_wrong, csv_cut] = wrong_of(TextForm::csv);
  const auto [key_wrong, key_cut] = wrong_of(TextForm::key_value);
  const auto [json_wrong, json_cut] = wrong_of(TextForm::json);
  CAPTURE(csv_wrong, csv_cut, key_wrong, key_cut, json_wrong, json_cut);
  CHECK(csv_wrong * 5 <= csv_cut);
  CHECK(key_wrong * 5 <= key_cut);
  CHECK(json_wrong * 12 <= json_cut);
}

TEST_CASE("a cut number is a fault where the lines before had more digits behind the point") {
  const MeterProfile profile = csv({{Quantity::power, 2}});
  CHECK(live(profile, "1,118.0\n2,118.1\n3,118.2\n4,118\n5,11\n6,118.3\n") ==
        "@5 power_w=118.0\n@13 power_w=118.1\n@21 power_w=118.2\n@40 power_w=118.3\n"
        "@29 malformed: power has not the digits behind the point of the lines before: \"118\"\n"
        "@35 malformed: power has not the digits behind the point of the lines before: \"11\"\n");
}

TEST_CASE("a meter that leaves zeros at the end out is believed after a few, one that moves its point too") {
  std::string text;
  for (int i = 0; i < 200; ++i) {
    const int tenths = 1180 + (i * 7) % 40;
    text += "{\"p\":" + std::to_string(tenths / 10);
    if (tenths % 10 != 0) text += "." + std::to_string(tenths % 10);
    text += ",\"v\":230.1}\n";
  }
  CHECK(test::decode_whole(json(), from_text(text)).readings.size() == 197);
  text.clear();
  for (int i = 0; i < 200; ++i) text += i % 2 == 0 ? "1,9.99\n" : "1,10.0\n";
  CHECK(test::decode_whole(csv({{Quantity::power, 2}}), from_text(text)).readings.size() >= 196);
  // Three alike are the meter's new way.
  CHECK(test::decode_whole(csv({{Quantity::power, 2}}), from_text("1,5.0\n1,5.1\n1,5.0\n1,5\n1,6\n1,7\n1,8\n"))
            .readings.size() == 5);
}

TEST_CASE("a line with other names is a fault, unless the meter has two kinds of lines") {
  std::string text;
  for (int i = 0; i < 100; ++i) text += i % 10 == 9 ? "P=118 V=230 up=7\n" : "P=118 V=230\n";
  const Output out = test::decode_whole(key_value(), from_text(text));
  CHECK(out.readings.size() == 97);
  CHECK(live(key_value(), "P=118 V=230 I=1\nP=119 V=231 I=2\nP=118 V=231 I=2\nP=1 V=2302 I=3\nP=118V=230.1 V=2\n")
            .find("malformed") != std::string::npos);
}

TEST_CASE("text profiles that cannot be obeyed are refused") {
  const auto error = [](const MeterProfile& profile) {
    const auto decoder = make_decoder(profile);
    REQUIRE_FALSE(decoder.has_value());
    CHECK(decoder.error().kind == ErrorKind::input);
    return decoder.error().message;
  };
  CHECK(error(csv({})).find("nothing to read") != std::string::npos);
  CHECK(error(csv({{Quantity::power, 0}})).find("column from 1") != std::string::npos);
  CHECK(error(csv({{Quantity::power, 65}})).find("column from 1 to 64") != std::string::npos);
  CHECK(error(text_profile(TextForm::json, {{Quantity::power, 1}})).find("must be a key") != std::string::npos);
  CHECK(error(csv({{Quantity::power, 1}, {Quantity::power, 2}})).find("read twice") != std::string::npos);
}

}  // namespace nightwatt::drivers
