// A profile that does not fit what the port says: never "0 readings, 0 faults".

#include <catch2/catch.hpp>

#include "looks_like.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using test::from_hex;
using test::from_text;
using test::operator+;
using namespace std::chrono_literals;

MeterProfile csv() {
  MeterProfile profile;
  profile.protocol = TextLineSettings{};
  profile.reads.emplace_back();
  profile.reads[0].column = 2;
  return profile;
}

std::string_view seen(std::string_view text) {
  return looks_like(from_text(text));
}

}  // namespace

TEST_CASE("what a port says is known by its bytes") {
  CHECK(seen("{\"p\":1}\n{\"p\":2}\n").find("JSON lines") == 0);
  CHECK(seen("230.1,0.5,118\n230.2,0.5,119\n").find("lines of numbers") == 0);
  CHECK(seen("V=230.1 P=118\nV=230.2 P=119\n").find("lines of named values") == 0);
  CHECK(seen("$EMP,W,230.4*5D\n$EMP,W,230.4*5D\n").find("lines with an NMEA 0183 check") == 0);
  // Two data lines of the example in the P1 companion standard 5.0.2.
  CHECK(seen("1-0:1.8.1(123456.789*kWh)\r\n1-0:1.7.0(01.193*kW)\r\n").find("P1 telegrams") == 0);
  CHECK(seen("1-3:0.2.8(50)\r\n1-0:1.8.1(123456.789*kWh)\r\n1-0:1.7.0(01.193*kW)\r\n!E47C\r\n") ==
        "P1 telegrams (dsmr-p1)");
  CHECK(seen("\x02"
             "1-0:1.8.0(1*kWh)\r\n1-0:1.7.0(01.193*kW)\r\n!\r\n\x03")
            .find("a read-out of IEC 62056-21") == 0);
  CHECK(seen("1.8.0(001234.567*kWh)\r\n1.7.0(00.230*kW)\r\n").find("a read-out of IEC 62056-21") == 0);
  CHECK(looks_like(from_hex("00 1B 1B 1B 1B 01 01 01 01 76 05")) == "SML messages (sml)");
  const test::Bytes frame = from_hex("11 03 06 02 2B 00 00 00 64 C8 BA");  // V1.1b3, 6.3
  CHECK(looks_like(frame + frame + frame).find("Modbus RTU frames") == 0);
  const test::Bytes tcp = from_hex("00 01 00 00 00 05 11 04 02 00 FB");
  CHECK(looks_like(tcp + tcp + tcp).find("Modbus TCP frames") == 0);
  CHECK(seen("Skerry Point meter, ready\nboot ok\n").find("lines of text") == 0);
  CHECK(looks_like(from_hex("81 FE 99 C3 80 91 F3 07 88 E1")).find("nothing that is known") == 0);
  CHECK_FALSE(looks_like({}).empty());
}

TEST_CASE("a capture that gives neither readings nor faults says what it looks like") {
  const Output out = test::decode_whole(csv(), from_text("{\"p\":118}\n{\"p\":119}\n{\"p\":118}\n{\"p\":119}\n"));
  REQUIRE(out.faults.size() == 1);
  CHECK(out.readings.empty());
  CHECK(out.faults[0].message ==
        "no reading out of 40 bytes: this looks like JSON lines (text-line with form = \"json\"); the profile says "
        "text-line");
}

TEST_CASE("a capture of the profile's own protocol that gives no reading is not called another's") {
  MeterProfile profile;
  profile.protocol = DsmrP1Settings{};
  const std::string telegram = "/XXX5 meter\r\n\r\n1-3:0.2.8(50)\r\n1-0:1.8.1(123456.789*kWh)\r\n!0000\r\n";
  const Output out = test::decode_whole(profile, from_text(telegram + telegram + telegram + telegram));
  REQUIRE(out.faults.size() == 5);
  CHECK(out.readings.empty());
  CHECK(out.faults[0].kind == FaultKind::checksum);
  CHECK(out.faults[4].message.find("though this looks like P1 telegrams (dsmr-p1), as the profile says") !=
        std::string::npos);
}

TEST_CASE("frames that SunSpec shares with Modbus are not told a SunSpec profile as another protocol's") {
  MeterProfile profile;
  profile.protocol = SunSpecSettings{};
  profile.reads = SunSpecSettings::protocol().usual_reads();
  const test::Bytes frame = from_hex("11 03 06 02 2B 00 00 00 64 C8 BA");  // V1.1b3, 6.3
  const Output out = test::decode_whole(profile, frame + frame + frame + frame);
  REQUIRE_FALSE(out.faults.empty());
  CHECK(out.faults.back().message.find(
            "though this looks like Modbus RTU frames (modbus-rtu, sunspec), as the profile") != std::string::npos);
}

TEST_CASE("frames that came through an optical head are not told its profile as another protocol's") {
  // All the head's read-out lacks is the register that is wanted.
  MeterProfile profile;
  profile.protocol = Iec62056Settings{};
  profile.reads = Iec62056Settings::protocol().usual_reads();
  const auto block = from_text(
      "/XXX5METER\r\n\r\n"
      "0.0.0(12345678)\r\n0.9.1(120000)\r\n0.9.2(260101)\r\n5.8.0(000001.000*kvarh)\r\n!\r\n");
  const Output out = test::decode_whole(profile, block + block + block + block);
  CAPTURE(test::described(out));
  REQUIRE_FALSE(out.faults.empty());
  CHECK(out.readings.empty());
  CHECK(out.faults.back().message.find("though this looks like a read-out of IEC 62056-21") != std::string::npos);
  CHECK(out.faults.back().message.find("as the profile says") != std::string::npos);
}

TEST_CASE("an optical head's read-out under another profile is told for what it is") {
  const auto read_out = from_text(
      "/XXX5METER\r\n\r\n\x02"
      "0.0.0(12345678)\r\n0.9.1(120000)\r\n1.8.0(001234.567*kWh)\r\n1.7.0(00.230*kW)\r\n!\r\n\x03");
  const Output out = test::decode_whole(csv(), read_out + read_out + read_out + read_out);
  CAPTURE(test::described(out));
  REQUIRE_FALSE(out.faults.empty());
  CHECK(out.faults.back().message.find("this looks like a read-out of IEC 62056-21") != std::string::npos);
  CHECK(out.faults.back().message.find("the profile says text-line") != std::string::npos);
}

TEST_CASE("a port that never gives a reading says what it looks like, once, and again much later") {
  const auto decoder = make_decoder(csv()).value();
  Output out;
  for (int second = 0; second < 60; ++second)
    decoder->feed(from_text("{\"p\":118}\r\n"), second * Duration(1'000'000), out);
  REQUIRE(out.faults.size() == 1);
  CHECK(out.faults[0].message.find("this looks like JSON lines") != std::string::npos);
  out = {};
  for (int second = 60; second < 40'000; ++second)
    decoder->feed(from_text("{\"p\":118}\r\n"), second * Duration(1'000'000), out);
  CHECK(out.faults.size() == 2);
}

TEST_CASE("a port that has given a reading is not watched any more") {
  const auto decoder = make_decoder(csv()).value();
  Output out;
  decoder->feed(from_text("half\n1,118\n"), Duration{0}, out);
  for (int second = 1; second < 1000; ++second)
    decoder->feed(from_text("status ok\r\n"), second * Duration(1'000'000), out);
  CHECK(out.readings.size() == 1);
  CHECK(out.faults.empty());
}

}  // namespace nightwatt::drivers
