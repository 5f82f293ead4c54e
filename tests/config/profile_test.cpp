#include <catch2/catch.hpp>
#include <string>
#include <vector>

#include "config/config.hpp"
#include "drivers/protocols.hpp"
#include "temp_folder.hpp"

namespace {

using namespace nightwatt;
using nightwatt::test::TempFolder;

const std::string modbus = R"(protocol = "modbus-rtu"
line = { baud = 9600, parity = "even", data_bits = 8, stop_bits = 2 }
interval_s = 0.5
starting_w = 0.4
[modbus-rtu]
unit = 17
timeout_s = 0.25
retries = 3
[[read]]
quantity = "power"
function = 4
register = 12
type = "float32"
order = "cdab"
scale = -0.10
resolution = 0.01
accuracy = { percent = 1.0, floor = 0.05 }
[[read]]
quantity = "energy"
function = 3
register = 65532
type = "u64"
scale = 1_000
accuracy = { class = "B" }
)";

const std::string csv = R"(protocol = "text-line"
line = { baud = 115200 }
[text-line]
form = "csv"
checksum = "xor"
[[read]]
quantity = "power"
field = 2
scale = 0.001
)";

Result<MeterProfile> parsed(const std::string& text) {
  const TempFolder folder;
  return config::load_profile(folder.write("meter.toml", text), "", drivers::protocol_readers());
}

/// What is said of a profile, without the folder it lay in.
std::string fault(const std::string& text) {
  const auto profile = parsed(text);
  if (profile) return "accepted";
  CHECK(profile.error().kind == ErrorKind::input);
  const std::string& message = profile.error().message;
  const std::size_t at = message.find("meter.toml:");
  return at == std::string::npos ? message : message.substr(at);
}

std::string replaced(std::string text, const std::string& from, const std::string& to) {
  const std::size_t at = text.find(from);
  REQUIRE(at != std::string::npos);
  return text.replace(at, from.size(), to);
}

bool begins(const std::string& text, const std::string& with) {
  return text.rfind(with, 0) == 0;
}

}  // namespace

TEST_CASE("a modbus profile gives every key of the contract") {
  const auto profile = parsed(modbus);
  REQUIRE(profile);
  CHECK(profile->name == "meter");
  CHECK(profile->line.baud == 9600);
  CHECK(profile->line.parity == Parity::even);
  CHECK(profile->line.data_bits == 8);
  CHECK(profile->line.stop_bits == 2);
  CHECK(profile->interval == Duration(500'000));
  CHECK(profile->starting_w == 0.4);
  const auto& settings = *profile->protocol.find<ModbusRtuSettings>();
  CHECK(settings.unit == 17);
  CHECK(settings.timeout == Duration(250'000));
  CHECK(settings.retries == 3);
  REQUIRE(profile->reads.size() == 2);
  const ReadSpec& power = profile->reads[0];
  CHECK(power.quantity == Quantity::power);
  CHECK(power.function == 4);
  CHECK(power.register_address == 12);
  CHECK(power.type == RegisterType::float32);
  CHECK(power.order == RegisterOrder::cdab);
  CHECK(power.resolution == 0.01);
  REQUIRE(power.accuracy);
  CHECK(power.accuracy->percent == 1.0);
  CHECK(power.accuracy->floor == 0.05);
  const ReadSpec& energy = profile->reads[1];
  CHECK(energy.quantity == Quantity::energy);
  CHECK(energy.function == 3);
  CHECK(energy.register_address == 65532);
  CHECK(energy.type == RegisterType::u64);
  CHECK(energy.order == RegisterOrder::abcd);
  REQUIRE(energy.accuracy);
  CHECK(energy.accuracy->meter_class == "B");
}

TEST_CASE("a text-line profile gives every key of the contract") {
  const auto profile = parsed(csv);
  REQUIRE(profile);
  const auto& settings = *profile->protocol.find<TextLineSettings>();
  CHECK(settings.form == TextForm::csv);
  CHECK(settings.checksum == TextChecksum::xor_nmea);
  CHECK(profile->line.baud == 115200);
  REQUIRE(profile->reads.size() == 1);
  CHECK(profile->reads[0].column == 2);

  const auto keyed = parsed(replaced(replaced(csv, "\"csv\"", "\"key-value\""), "field = 2", "field = \"P\""));
  REQUIRE(keyed);
  CHECK(keyed->protocol.find<TextLineSettings>()->form == TextForm::key_value);
  CHECK(keyed->reads[0].key == "P");
}

TEST_CASE("a scale keeps the digits it was written with") {
  struct Case {
    std::string written;
    std::int64_t mantissa;
    int exponent;
  };
  const std::vector<Case> cases = {{"0.10", 10, -2},      {"-0.001", -1, -3}, {"1000", 1000, 0}, {"0.1", 1, -1},
                                   {"1_0.5_0", 1050, -2}, {"1e-3", 1, -3},    {"+2.50", 250, -2}};
  for (const Case& c : cases) {
    const auto profile = parsed(replaced(csv, "scale = 0.001", "scale = " + c.written + "   # " + c.written));
    INFO(c.written);
    REQUIRE(profile);
    CHECK(profile->reads[0].scale.mantissa == c.mantissa);
    CHECK(profile->reads[0].scale.exponent == c.exponent);
  }
}

TEST_CASE("a scale behind text that is not ASCII still has its value") {
  const auto profile = parsed(R"(protocol = "text-line"
text-line = { form = "json" }
read = [ { quantity = "power", field = "leistung_für_küche", scale = 0.25 } ]
)");
  REQUIRE(profile);
  CHECK(profile->reads[0].scale == Decimal{25, -2});
}

TEST_CASE("an absurd value in a modbus profile is refused on its line") {
  struct Case {
    std::string from, to;
    std::string expected;
  };
  const std::vector<Case> cases = {
      {"baud = 9600", "baud = 0", "meter.toml:2: \"baud\" is 0; write a whole number from 50 to"},
      {"baud = 9600", "baud = 9600.0", "meter.toml:2: \"baud\" is a number with decimals; write a whole number"},
      {"baud = 9600", "baud = \"9600\"", "meter.toml:2: \"baud\" is a text; write a whole number"},
      {"\"even\"", "\"evn\"", "meter.toml:2: \"parity\" is \"evn\"; write one of none, even, odd, mark, space"},
      {"data_bits = 8", "data_bits = 7", "meter.toml:2: modbus-rtu needs 8 data bits"},
      {"data_bits = 8", "data_bits = 9", "meter.toml:2: \"data_bits\" is 9; write a whole number from 5 to 8"},
      {"stop_bits = 2", "stop_bits = 0", "meter.toml:2: \"stop_bits\" is 0"},
      {"interval_s = 0.5", "interval_s = 0", "meter.toml:3: \"interval_s\" is 0; write a number from 0.001 to 86400"},
      {"interval_s = 0.5", "interval_s = -1.0", "meter.toml:3: \"interval_s\" is -1.0"},
      {"interval_s = 0.5", "interval_s = nan", "meter.toml:3: \"interval_s\" is nan"},
      {"interval_s = 0.5", "interval_s = inf", "meter.toml:3: \"interval_s\" is inf"},
      {"starting_w = 0.4", "starting_w = -0.4", "meter.toml:4: \"starting_w\" is -0.4"},
      {"unit = 17", "unit = 0", "meter.toml:6: \"unit\" is 0; write a whole number from 1 to 247"},
      {"unit = 17", "unit = 300", "meter.toml:6: \"unit\" is 300"},
      {"timeout_s = 0.25", "timeout_s = 0", "meter.toml:7: \"timeout_s\" is 0"},
      {"retries = 3", "retries = -1", "meter.toml:8: \"retries\" is -1"},
      {"quantity = \"power\"", "quantity = \"watts\"", "meter.toml:10: \"quantity\" is \"watts\"; write one of power,"},
      {"quantity = \"power\"\n", "", "meter.toml:9: \"quantity\" is missing in [[read]]"},
      {"function = 4", "function = 6", "meter.toml:11: \"function\" is 6; write a whole number from 3 to 4"},
      {"function = 4\n", "", "meter.toml:9: \"function\" is missing"},
      {"register = 12", "register = 65536",
       "meter.toml:12: \"register\" is 65536; write a whole number from 0 to 65535"},
      {"register = 12", "register = 65535", "meter.toml:12: the value reaches past register 65535"},
      {"register = 12", "register = -1", "meter.toml:12: \"register\" is -1"},
      {"register = 65532", "register = 65533", "meter.toml:21: the value reaches past register 65535"},
      {"type = \"float32\"\n", "", "meter.toml:9: \"type\" is missing"},
      {"type = \"float32\"", "type = \"float\"", "meter.toml:13: \"type\" is \"float\"; write one of u16"},
      {"order = \"cdab\"", "order = \"abdc\"", "meter.toml:14: \"order\" is \"abdc\"; write one of abcd, cdab"},
      {"scale = -0.10", "scale = 0.0", "meter.toml:15: a scale of 0 makes every reading 0"},
      {"scale = -0.10", "scale = inf", "meter.toml:15: \"scale\" is inf"},
      {"scale = -0.10", "scale = 1e30", "meter.toml:15: \"scale\" is 1e30; write a number below 9e9"},
      {"scale = -0.10", "scale = true", "meter.toml:15: \"scale\" is true or false; write a number"},
      {"resolution = 0.01", "resolution = 0", "meter.toml:16: \"resolution\" is 0; write a number above 0"},
      {"resolution = 0.01", "resolution = -1", "meter.toml:16: \"resolution\" is -1"},
      {"percent = 1.0", "percent = 101", "meter.toml:17: \"percent\" is 101; write a number from 0 to 100"},
      {"percent = 1.0", "percent = -1", "meter.toml:17: \"percent\" is -1"},
      {"percent = 1.0, floor = 0.05", "percent = 0, floor = 0", "meter.toml:17: an accuracy of 0"},
      {"class = \"B\"", "class = \"Q\"", "meter.toml:24: unknown meter class \"Q\""},
      {"class = \"B\"", "class = \"B\", percent = 1", "meter.toml:24: an accuracy is given both as a class and"},
      {"quantity = \"energy\"", "quantity = \"power\"",
       "meter.toml:19: \"power\" is read already by the [[read]] of line 9"},
      {"retries = 3", "retris = 3", "meter.toml:8: unknown key \"retris\" in [modbus-rtu]; did you mean"},
      {"interval_s", "intervall_s",
       "meter.toml:3: unknown key \"intervall_s\" in the profile; did you mean \"interval_s\"?"},
      {"interval_s", "colour", "meter.toml:3: unknown key \"colour\" in the profile; known here: "},
      {"order = \"cdab\"", "field = 2", "meter.toml:14: \"field\" belongs to text-line"},
      {"[modbus-rtu]", "[text-line]\n[modbus-rtu]", "meter.toml:5: \"text-line\" belongs to another protocol"},
      {"[modbus-rtu]", "[[modbus-rtu]]", "meter.toml:5: \"modbus-rtu\" is a list; write a table"},
      {"interval_s = 0.5", "interval_s = 0.5 0.6", "meter.toml:3: not valid TOML: "},
      {"interval_s = 0.5", "interval_s = 0.5\ninterval_s = 0.6", "meter.toml:4: not valid TOML: "},
  };
  for (const Case& c : cases) {
    INFO(c.from << " -> " << c.to);
    const std::string said = fault(replaced(modbus, c.from, c.to));
    INFO(said);
    CHECK(begins(said, c.expected));
    CHECK(said.find("; ") != std::string::npos);
    CHECK(said.find('\n') == std::string::npos);
  }
}

TEST_CASE("an absurd value in a text-line profile is refused on its line") {
  struct Case {
    std::string from, to;
    std::string expected;
  };
  const std::vector<Case> cases = {
      {"\"csv\"", "\"xml\"", "meter.toml:4: \"form\" is \"xml\"; write one of csv, key-value, json"},
      {"form = \"csv\"\n", "", "meter.toml:3: \"form\" is missing in [text-line]"},
      {"\"xor\"", "\"crc\"", "meter.toml:5: \"checksum\" is \"crc\"; write one of none, xor"},
      {"field = 2", "field = 0", "meter.toml:8: \"field\" is 0; write a whole number from 1"},
      {"field = 2", "field = \"P\"", "meter.toml:8: \"field\" is a text; write a whole number"},
      {"field = 2\n", "", "meter.toml:6: \"field\" is missing in [[read]]"},
      {"field = 2", "field = 2\nregister = 3", "meter.toml:9: \"register\" belongs to modbus-rtu"},
      {"[text-line]\nform = \"csv\"\nchecksum = \"xor\"\n", "", "meter.toml:1: \"text-line\" is missing"},
      {"\"csv\"", "\"json\"", "meter.toml:8: \"field\" is a whole number; write a text"},
  };
  for (const Case& c : cases) {
    INFO(c.from << " -> " << c.to);
    const std::string said = fault(replaced(csv, c.from, c.to));
    INFO(said);
    CHECK(begins(said, c.expected));
  }
}

TEST_CASE("a profile without a reading is refused") {
  CHECK(begins(fault("protocol = \"text-line\"\n[text-line]\nform = \"csv\"\n"), "meter.toml:1: \"read\" is missing"));
  CHECK(begins(fault("protocol = \"text-line\"\nread = []\n[text-line]\nform = \"csv\"\n"),
               "meter.toml:2: \"read\" is empty"));
  CHECK(begins(fault(""), "meter.toml:1: \"protocol\" is missing"));
}

TEST_CASE("a protocol that is not known is told, with those that are") {
  CHECK(begins(fault("protocol = \"smoke-signals\"\n"),
               "meter.toml:1: unknown protocol \"smoke-signals\"; write one of modbus-rtu, "));
}

TEST_CASE("a file that is no profile is refused in one line") {
  const TempFolder folder;
  CHECK(begins(fault(std::string("a = \0", 5)), "meter.toml:1: not valid TOML: "));
  CHECK(begins(fault("\xff\xfe"), "meter.toml:1: not valid TOML: "));
  CHECK(begins(fault(std::string(2 * 1024 * 1024, '\n')), "meter.toml:1: larger than 1 MiB"));
  const auto of_folder =
      config::load_profile(folder.write("x/meter.toml", "") + "/..", "", drivers::protocol_readers());
  CHECK_FALSE(of_folder);
  const auto missing = config::load_profile(folder.path("none.toml"), "", drivers::protocol_readers());
  REQUIRE_FALSE(missing);
  CHECK(missing.error().message.find("none.toml") != std::string::npos);
  const auto device = config::load_profile("/dev/zero", "", drivers::protocol_readers());
  REQUIRE_FALSE(device);
  CHECK(device.error().message == "/dev/zero: not a regular file; name a TOML file");
}

TEST_CASE("what the TOML parser only asserts is refused on its line too") {
  CHECK(fault("a = 1\n\n[#\n]\nb = 2\n") == "meter.toml:3: not valid TOML; correct this line");
  CHECK(fault("[[=") == "meter.toml:1: not valid TOML; correct this line");
}

TEST_CASE("a character outside quotes that is not ASCII is refused on its line, within quotes it is text") {
  const std::string refused = "not valid TOML: a character outside quotes that is not ASCII; correct this line";
  CHECK(fault("a = 1\nb\xC3\xBC = 2\n") == "meter.toml:2: " + refused);
  CHECK(fault("\xEF\xBB\xB2~\x05") == "meter.toml:1: " + refused);
  CHECK(fault("a = \"\"\"x\\\n \xC3\xBC\"\"\"\n") == "meter.toml:2: " + refused);
  CHECK(fault("\xEF\xBB\xBF" + csv + "# \xC3\xBC\n") == "accepted");
  CHECK(fault(replaced(csv, "\"csv\"", "\"c\xC3\xBCv\"")).rfind("meter.toml:4: \"form\" is \"c\xC3\xBCv\"; ", 0) == 0);
}

TEST_CASE("an sml profile needs nothing but its protocol, and takes registers by their codes") {
  const auto usual = parsed("protocol = \"sml\"\n");
  REQUIRE(usual);
  CHECK(usual->reads.size() == 6);
  CHECK(usual->line == LineSettings{});
  CHECK(usual->protocol == ProtocolSettings(SmlSettings{}));
  const auto own = parsed(
      "protocol = \"sml\"\n[sml]\nunsigned_power = true\n[[read]]\nquantity = \"power\"\nobis = \"1-0:1.7.0\"\nminus = "
      "\"1-0:2.7.0\"\n");
  REQUIRE(own);
  CHECK(own->protocol == ProtocolSettings(SmlSettings{true}));
  REQUIRE(own->reads.size() == 1);
  CHECK(own->reads[0].obis == "1-0:1.7.0");
  CHECK(own->reads[0].minus == "1-0:2.7.0");
  CHECK(begins(fault("protocol = \"sml\"\nline = { data_bits = 7 }\n"), "meter.toml:2: sml needs 8 data bits"));
  CHECK(begins(fault("protocol = \"sml\"\n[[read]]\nquantity = \"power\"\nobis = \"watts\"\n"), "meter.toml:4:"));
}

TEST_CASE("nesting that would exhaust the stack is refused before it is parsed") {
  std::string dotted = "a";
  for (int i = 0; i < 100'000; ++i) dotted += ".a";
  CHECK(begins(fault(dotted + " = 1\n"), "meter.toml:1: nested too deeply"));
  CHECK(begins(fault("x = 1\n[" + dotted + "]\n"), "meter.toml:2: nested too deeply"));
  CHECK(begins(fault("a = " + std::string(100'000, '[')), "meter.toml:1: nested too deeply"));
  std::string inline_tables;
  for (int i = 0; i < 1000; ++i) inline_tables += "a = {\n";
  CHECK(begins(fault(inline_tables), "meter.toml:17: nested too deeply"));
  // Dots and brackets in strings and comments are not structure.
  const std::string dots(200, '.'), brackets(200, '[');
  CHECK(fault(csv + "# " + dots + brackets + "\n") == "accepted");
  CHECK(begins(fault("protocol = \"" + dots + "\\\"" + brackets + "\"\n"), "meter.toml:1: \"protocol\" is "));
}

TEST_CASE("a correction is read as calibrate wrote it, and numbers that are none are refused on their line") {
  const std::string line =
      "correction = { coefficients = [-0.29, 0.98], covariance = [1e-4, -1e-07, 1e-8], scatter_w = 0, from_w = 5.0, "
      "to_w = "
      "200, made = \"2026-03-12\", until = \"2027-03-12\" }\n";
  const auto with = [&](const std::string& correction) {
    return replaced(modbus, "quantity = \"power\"\n", "quantity = \"power\"\n" + correction);
  };
  const auto profile = parsed(with(line));
  REQUIRE(profile);
  const auto& correction = profile->traits().correction;
  REQUIRE(correction);
  CHECK(correction->at(100.0) == Approx(97.71));
  CHECK(correction->words() == "calibrated 2026-03-12");
  CHECK_FALSE(parsed(with(replaced(line, "0.98]", "9.8]"))));
  CHECK_FALSE(parsed(with(replaced(line, "1e-8]", "1e-8, 2]"))));
  CHECK_FALSE(parsed(with(replaced(line, "\"2026-03-12\"", "\"a Thursday\""))));
  CHECK_FALSE(parsed(with(replaced(line, ", to_w = 200", ""))));
  CHECK_FALSE(parsed(replaced(modbus, "quantity = \"energy\"\n", "quantity = \"energy\"\n" + line)));
}
