// Telegrams of a P1 port: the example of the P1 companion standard 5.0.2, and telegrams made after it.
#include <bit>
#include <catch2/catch.hpp>
#include <fstream>
#include <sstream>

#include "obis.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using test::described;
using test::from_text;

MeterProfile usual() {
  MeterProfile profile;
  profile.protocol = DsmrP1Settings();
  profile.reads = obis::usual_reads();
  return profile;
}

MeterProfile power_and_energy() {
  MeterProfile profile = usual();
  profile.reads.resize(2);
  return profile;
}

std::string example(const std::string& check) {
  std::ifstream file(std::string(NIGHTWATT_TEST_DATA) + "/dsmr/example_5_0_2_" + check + ".txt", std::ios::binary);
  REQUIRE(file);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

/// P1 companion standard 5.0.2, 6.2, bit by bit.
std::string with_check(const std::string& telegram) {
  unsigned crc = 0;
  for (const char c : telegram) {
    crc ^= static_cast<unsigned char>(c);
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U;
  }
  std::ostringstream text;
  text << telegram << std::hex << std::uppercase << crc << "\r\n";
  return text.str();
}

std::string decoded(const MeterProfile& profile, const std::string& text) {
  return described(test::decode_whole(profile, from_text(text)));
}

/// Of version 3: no check.
std::string old_telegram(const std::string& watts, const std::string& second_tariff = "00002.000") {
  return "/SKP3SKERRY-POINT\r\n\r\n0-0:96.1.1(31)\r\n1-0:1.8.1(00001.500*kWh)\r\n" +
         (second_tariff.empty() ? "" : "1-0:1.8.2(" + second_tariff + "*kWh)\r\n") + "1-0:1.7.0(" + watts +
         "*kW)\r\n1-0:2.7.0(0000.00*kW)\r\n0-1:24.3.0(260105210000)(00)(60)(1)(0-1:24.2.1)(m3)\r\n(00123.456)\r\n!\r\n";
}

std::string even_parity(std::string text) {
  for (char& c : text)
    if (std::popcount(static_cast<unsigned char>(c)) % 2 != 0) c = static_cast<char>(c | 0x80);
  return text;
}

}  // namespace

TEST_CASE("the specification's telegram is taken with its true check, and refused with the printed one") {
  // 1-0:1.8.1 and .2 are 123456.789 kWh each; power 1.193 kW in, none out; L1 220.1 V, 1 A.
  CHECK(decoded(usual(), example("E47C")) ==
        "@0 power_w=1193 voltage_v=220.1 current_a=1 energy_wh=246913578 energy_export_wh=246913578\n");
  const Output refused = test::decode_whole(usual(), from_text(example("EF2F")));
  CHECK(refused.readings.empty());
  REQUIRE(!refused.faults.empty());
  CHECK(refused.faults[0].kind == FaultKind::checksum);
}

TEST_CASE("any single damaged byte of a checked telegram makes a fault and never a reading") {
  const std::string good = example("E47C");
  std::mt19937 random(11);
  for (int i = 0; i < 400; ++i) {
    std::string bad = good;
    const std::size_t at = random() % (good.size() - 2);
    bad[at] = static_cast<char>(bad[at] ^ static_cast<char>(1U << (random() % 8)));
    CAPTURE(at, i);
    const Output out = test::decode_whole(usual(), from_text(bad + good));
    REQUIRE(out.readings.size() == 1);
    REQUIRE(out.readings[0].values.get(Quantity::power) == Decimal{1193, 0});
  }
}

TEST_CASE("pieces of any size give what the whole gives, and after garbage the next good telegram is found") {
  std::mt19937 random(12);
  std::string noise(300, '\0');
  for (char& c : noise) c = static_cast<char>(random() & 0xFFU);
  const std::string stream = "9*V)\r\n!12AB\r\n" + example("E47C") + noise + example("EF2F") + noise + example("E47C") +
                             "/SKP5" + example("E47C");
  const auto bytes = from_text(stream);
  const std::string whole = described(test::decode_whole(usual(), bytes));
  CHECK(test::decode_whole(usual(), bytes).readings.size() == 3);
  for (const std::size_t longest : {1U, 7U, 300U}) {
    Output out;
    const auto decoder = make_capture_decoder(usual()).value();
    test::in_pieces(bytes, random, longest, [&](auto piece) { decoder->feed(piece, out); });
    decoder->finish(out);
    CHECK(described(out) == whole);
  }
}

TEST_CASE("export is negative power, and sub-meters of other media are left alone") {
  const std::string text = with_check(
      "/SKP5\\SKERRY\r\n\r\n1-3:0.2.8(50)\r\n1-0:1.7.0(00.000*kW)\r\n1-0:2.7.0(03.210*kW)\r\n1-0:1.8.1(000001.000*kWh)"
      "\r\n"
      "1-0:1.8.2(000002.000*kWh)\r\n0-1:24.1.0(003)\r\n0-1:24.2.1(260105210000W)(00123.456*m3)\r\n"
      "0-2:24.1.0(012)\r\n0-2:24.2.1(260105210000W)(00001.700*GJ)\r\n6-0:1.8.0(000099.000*kWh)\r\n!");
  CHECK(decoded(power_and_energy(), text) == "@0 power_w=-3210 energy_wh=3000\n");
}

TEST_CASE("a Belgian telegram is read: version, peaks with their months, two decimals of current") {
  // The layout of the e-MUCS P1 specification, from memory; the figures are ours.
  std::string text =
      "/SKP5\\253769484_A\r\n\r\n0-0:96.1.4(50217)\r\n0-0:96.1.1(3153414733)\r\n0-0:1.0.0(260105210000W)\r\n"
      "1-0:1.8.1(000034.111*kWh)\r\n1-0:1.8.2(000022.222*kWh)\r\n1-0:2.8.1(000001.000*kWh)\r\n1-0:2.8.2(000000.500*kWh)"
      "\r\n"
      "0-0:96.14.0(0001)\r\n1-0:1.4.0(02.351*kW)\r\n1-0:1.6.0(260103194500W)(05.441*kW)\r\n0-0:98.1.0(3)(1-0:1.6.0)(1-"
      "0:1.6.0)";
  for (int month = 0; month < 13; ++month) text += "(251201000000W)(251117184500W)(04.329*kW)";
  text +=
      "\r\n1-0:1.7.0(00.345*kW)\r\n1-0:2.7.0(00.000*kW)\r\n1-0:32.7.0(234.7*V)\r\n1-0:31.7.0(001.52*A)\r\n"
      "0-0:96.3.10(1)\r\n0-1:24.2.3(260105210000W)(00112.384*m3)\r\n!";
  CHECK(decoded(usual(), with_check(text)) ==
        "@0 power_w=345 voltage_v=234.7 current_a=1.52 energy_wh=56333 energy_export_wh=1500\n");
  // Registers by name: the month's peak is behind its instant.
  MeterProfile peak = usual();
  peak.reads.resize(1);
  peak.reads[0].obis = "1-0:1.6.0";
  CHECK(decoded(peak, with_check(text)) == "@0 power_w=5441\n");
}

TEST_CASE("a telegram with a message of 1024 characters and ten power failures is read") {
  std::string text = "/SKP5\\SKERRY\r\n\r\n1-3:0.2.8(50)\r\n1-0:1.7.0(00.420*kW)\r\n1-0:99.97.0(10)(0-0:96.7.19)";
  for (int i = 0; i < 10; ++i) text += "(260105152415W)(0000000240*s)";
  text += "\r\n0-0:96.13.0(" + std::string(2048, '3') + ")\r\n!";
  CHECK(decoded(power_and_energy(), with_check(text)) == "@0 power_w=420\n");
  const Output endless = test::decode_whole(usual(), from_text("/SKP5\r\n\r\n" + std::string(100'000, '3')));
  CHECK(endless.readings.empty());
  CHECK(endless.faults.size() <= 2);
}

TEST_CASE("a telegram of version 2.2 or 3 counts without a check, but by its form and layout") {
  CHECK(decoded(power_and_energy(), old_telegram("0000.54")) == "@0 power_w=540 energy_wh=3500\n");
  // A lost line makes a wrong sum: refused, and believed where the next one has the same lines.
  const std::string lost = old_telegram("0000.54") + old_telegram("0000.55", "") + old_telegram("0000.56");
  const Output out = test::decode_whole(power_and_energy(), from_text(lost));
  CHECK(out.readings.size() == 2);
  CHECK(out.faults.size() == 1);
  // A lost digit likewise.
  CHECK(test::decode_whole(power_and_energy(), from_text(old_telegram("0002.54") + old_telegram("002.54")))
            .readings.size() == 1);
  CHECK(test::decode_whole(power_and_energy(), from_text(old_telegram("0000.54") + old_telegram("0000.55", "") +
                                                         old_telegram("0000.56", "")))
            .readings.size() == 2);
}

TEST_CASE("a version that has a check is not believed without one, nor a meter that had them") {
  const std::string version_4 = "/SKP5\\X\r\n\r\n1-3:0.2.8(42)\r\n1-0:1.7.0(00.100*kW)\r\n!";
  CHECK(decoded(power_and_energy(), version_4 + "\r\n") == "@0 checksum: a telegram that lost its check\n");
  CHECK(decoded(power_and_energy(), with_check(version_4)) == "@0 power_w=100\n");
  const Output out = test::decode_whole(power_and_energy(), from_text(with_check(version_4) + old_telegram("0000.54")));
  CHECK(out.readings.size() == 1);
}

TEST_CASE("seven bits and parity read as eight are checked and taken off, and it is said once") {
  const std::string text = even_parity(old_telegram("0000.54"));
  Output out;
  const auto decoder = make_decoder(power_and_energy()).value();
  decoder->reset(Duration{0});
  for (int i = 0; i < 3; ++i) decoder->feed(from_text(text), Duration{i}, out);
  CHECK(out.readings.size() == 3);
  CHECK(out.faults.empty());
  CHECK(out.notes.size() == 1);
  std::string bad = text;
  bad[60] = static_cast<char>(bad[60] ^ 0x01);
  decoder->feed(from_text(bad), Duration{4}, out);
  CHECK(out.readings.size() == 3);
  REQUIRE(out.faults.size() == 1);
  CHECK(out.faults[0].message.find("parity") != std::string::npos);
}

TEST_CASE("a check may be written in small letters and without its zeros") {
  const std::string body = "/SKP5\\X\r\n\r\n1-0:1.7.0(00.100*kW)\r\n";
  // Searched for a serial number whose check begins with a zero.
  for (int i = 0;; ++i) {
    REQUIRE(i < 1000);
    const std::string text = with_check(body + "0-0:96.1.1(" + std::to_string(i) + ")\r\n!");
    if (text.size() - text.rfind('!') != 6) continue;
    CHECK(decoded(power_and_energy(), text) == "@0 power_w=100\n");
    std::string small = text;
    for (std::size_t at = small.rfind('!'); at < small.size(); ++at)
      if (small[at] >= 'A' && small[at] <= 'F') small[at] = static_cast<char>(small[at] - 'A' + 'a');
    CHECK(decoded(power_and_energy(), small) == "@0 power_w=100\n");
    break;
  }
}

}  // namespace nightwatt::drivers
