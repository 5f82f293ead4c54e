// SML 1.03/1.04: files by hand from the encoding's rules (BSI TR-03109-1, annex IV), and what real meters do to them.
#include <catch2/catch.hpp>

#include "crc16.hpp"
#include "sml/element.hpp"
#include "sml_bytes.hpp"

namespace nightwatt::test {

namespace {

// 1-0:1.8.0 with a status, five bytes at 10^-1 Wh; 1-0:16.7.0 in W.
const std::string import_entry = "77 07 01 00 01 08 00 FF 64 1C 01 04 01 62 1E 52 FF 56 00 00 03 02 01 01";
const std::string power_entry = "77 07 01 00 10 07 00 FF 01 01 62 1B 52 00 53 01 2C 01";
// What the maker says of itself: no number.
const std::string maker_entry = "77 07 81 81 C7 82 03 FF 01 01 01 01 04 53 4B 50 01";

std::string power_of(std::string_view number) {
  return "77 07 01 00 10 07 00 FF 01 01 62 1B 52 00 " + std::string(number) + " 01 ";
}

std::string read(const Bytes& bytes, bool unsigned_power = false) {
  return described(decode_whole(sml_profile(unsigned_power), bytes));
}

}  // namespace

TEST_CASE("the checks are the catalogued ones: CRC-16/X-25 gives 906E, CRC-16/KERMIT 2189 of 123456789") {
  const Bytes bytes = from_text("123456789");
  CHECK(drivers::crc16_x25(bytes) == 0x906E);
  CHECK(drivers::crc16_kermit(bytes) == 0x2189);
}

TEST_CASE("an SML file gives one reading, in W and Wh whatever the scaler") {
  CHECK(read(made_list(3, maker_entry + import_entry + power_entry)) == "@0 power_w=300 energy_wh=19712.1\n");
  // 1.8.0 at 10^3 Wh, as meters send it that were not told their PIN: no power, and a reading all the same.
  CHECK(read(made_list(2, maker_entry + "77 07 01 00 01 08 00 FF 01 01 62 1E 52 03 62 07 01")) ==
        "@0 energy_wh=7000\n");
  // No value at the moment.
  CHECK(read(made_list(2, import_entry + power_of("01"))) == "@0 energy_wh=19712.1\n");
}

TEST_CASE("numbers have the length the meter left them, and their sign") {
  CHECK(read(made_list(1, power_of("52 FF"))) == "@0 power_w=-1\n");
  CHECK(read(made_list(1, power_of("53 80 00"))) == "@0 power_w=-32768\n");
  CHECK(read(made_list(1, power_of("54 80 00 00"))) == "@0 power_w=-8388608\n");
  CHECK(read(made_list(1, power_of("56 00 01 00 00 00"))) == "@0 power_w=16777216\n");
  CHECK(read(made_list(1, power_of("59 FF FF FF FF FF FF FF FE"))) == "@0 power_w=-2\n");
  CHECK(read(made_list(1, power_of("62 FF"))) == "@0 power_w=255\n");
  CHECK(read(made_list(1, power_of("69 00 00 00 00 00 00 01 00"))) == "@0 power_w=256\n");
  // More than a reading holds is a fault, not a wrong watt.
  CHECK(read(made_list(1, power_of("59 7F FF FF FF FF FF FF FF"))) ==
        "@0 range: the register 1-0:16.7.0 is out of range\n"
        "@0 mismatch: a good read-out without a register\n");
}

TEST_CASE("a meter that forgets the sign bit of a power of two bytes is read where the profile says so") {
  CHECK(read(made_list(1, power_of("53 9C 40"))) == "@0 power_w=-25536\n");
  CHECK(read(made_list(1, power_of("53 9C 40")), true) == "@0 power_w=40000\n");
  CHECK(read(made_list(1, power_of("54 FF 9C 40")), true) == "@0 power_w=-25536\n");
}

TEST_CASE("a meter that tells only how much flows is read with the direction in its counter's status") {
  const std::string amount = "77 07 01 00 0F 07 00 FF 01 01 62 1B 52 FF 53 0B B8 01";
  const auto counter = [](std::string_view status) {
    return "77 07 01 00 01 08 00 FF 63 01 " + std::string(status) + " 01 62 1E 52 FF 53 00 0A 01 ";
  };
  CHECK(read(made_list(2, counter("82") + amount)) == "@0 power_w=300.0 energy_wh=1.0\n");
  CHECK(read(made_list(2, counter("A2") + amount)) == "@0 power_w=-300.0 energy_wh=1.0\n");
  // One that has a net power is believed in it.
  CHECK(read(made_list(3, counter("A2") + amount + power_entry)) == "@0 power_w=300 energy_wh=1.0\n");
}

TEST_CASE("lengths of several bytes, lists of more than fifteen, times as lists and lists as values are passed over") {
  std::string many;
  for (int i = 0; i < 16; ++i) many += maker_entry;
  // An octet string of 0x30 bytes: 83 02 counts its two own bytes.
  std::string key = "77 07 81 81 C7 82 05 FF 01 72 62 01 65 00 00 00 01 01 01 83 02 ";
  for (int i = 0; i < 48; ++i) key += "AA ";
  const std::string time_value = "77 07 01 00 00 09 0B FF 01 01 01 01 72 62 02 73 65 00 00 00 01 53 00 3C 53 00 3C 01 ";
  CHECK(read(made_list(19, many + key + "01 " + time_value + power_entry)) == "@0 power_w=300\n");
}

TEST_CASE("escapes in the messages are taken off, and padding of up to three bytes") {
  // A value of sixteen 1B lies over three whole words wherever it begins.
  std::string key = "77 07 81 81 C7 82 05 FF 01 01 01 01 81 02 ";
  for (int i = 0; i < 16; ++i) key += "1B ";
  for (int shift = 0; shift < 4; ++shift) {
    std::string longer = "77 07 81 81 C7 82 03 FF 01 01 01 01 0" + std::to_string(shift + 1) + " ";
    for (int i = 0; i < shift; ++i) longer += "53 ";
    CAPTURE(shift);
    CHECK(read(made_list(3, longer + "01 " + key + "01 " + power_entry)) == "@0 power_w=300\n");
  }
}

TEST_CASE("a file with any bit turned gives a fault and no reading") {
  const Bytes good = made_list(2, import_entry + power_entry);
  for (std::size_t i = 8; i < good.size(); ++i) {
    Bytes bad = good;
    bad[i] ^= std::byte{0x10};
    const drivers::Output out = decode_whole(sml_profile(), bad);
    CAPTURE(i);
    CHECK(out.readings.empty());
    CHECK_FALSE(out.faults.empty());
  }
}

TEST_CASE("a message's own check counts, by the standard or as some meters make it") {
  const Bytes messages = made_list_messages(1, power_entry);
  Bytes bad = messages;
  bad[bad.size() - 3] ^= std::byte{1};
  CHECK(read(made_file(bad)) == "@0 checksum: an SML file with a message with a wrong check\n");
  CHECK(read(made_file(made_list_messages(1, power_entry, false))) == "@0 power_w=300\n");
  CHECK(read(made_file(made_list_messages(1, power_entry, false), false)) == "@0 power_w=300\n");
}

TEST_CASE("after lost bytes, noise or a file cut anywhere the next good file is read, when it is whole") {
  const Bytes good = made_list(2, import_entry + power_entry);
  const std::string reading = " power_w=300 energy_wh=19712.1\n";
  for (std::size_t cut = 1; cut < good.size(); ++cut) {
    CAPTURE(cut);
    // Its end is lost, or bytes in its middle.
    const Bytes head(good.begin(), good.begin() + static_cast<std::ptrdiff_t>(cut));
    CHECK(decode_whole(sml_profile(), head + good).readings.size() == 1);
    Bytes holed = good;
    holed.erase(holed.begin() + static_cast<std::ptrdiff_t>(cut));
    drivers::Output out;
    auto live = drivers::make_decoder(sml_profile()).value();
    live->feed(holed + good, Duration{0}, out);  // without the end of the stream: it must not wait for more
    REQUIRE(out.readings.size() == 1);
    CHECK(out.readings[0].at_byte == holed.size());
  }
  CHECK(read(from_text("boot\r\n") + good + from_hex("00 00 00") + good) ==
        "@6" + reading + "@" + std::to_string(6 + good.size() + 3) + reading);
  CHECK(read(good + from_hex("FF FE") + good) == "@0" + reading + "@" + std::to_string(good.size() + 2) + reading +
                                                     "@" + std::to_string(good.size()) +
                                                     " malformed: 2 bytes that belong to no SML file\n");
}

// Found by a generator that was made from the published facts alone: 11 of 1509 good files, all behind a damaged one.
TEST_CASE("behind a file without its end, the next is read even where its messages hold what looks like a start") {
  const Bytes cut = made_list(1, power_entry);
  for (std::string_view filler : {"", "55", "55 55", "55 55 55"}) {
    CAPTURE(filler);
    const int length = 1 + 8 + static_cast<int>((filler.size() + 1) / 3);
    const std::string like_a_start = "77 07 81 81 C7 82 05 FF 01 01 01 01 0" + std::string(1, "0123456789ABC"[length]) +
                                     std::string(filler) + "1B 1B 1B 1B 01 01 01 01 01";
    const Bytes good = made_list(2, like_a_start + power_entry);
    for (std::ptrdiff_t lost = 1; lost < 12; ++lost) {
      CAPTURE(lost);
      const Bytes before(cut.begin(), cut.end() - lost);
      const drivers::Output out = decode_whole(sml_profile(), before + good);
      REQUIRE(out.readings.size() == 1);
      CHECK(out.readings[0].at_byte == before.size());
    }
  }
}

TEST_CASE("a capture that begins and ends within files gives those between, and one fault for the one cut at its end") {
  const Bytes good = made_list(2, import_entry + power_entry);
  const Bytes middle(good.begin() + 20, good.end());
  const Bytes begun(good.begin(), good.begin() + 30);
  const drivers::Output out = decode_whole(sml_profile(), middle + good + good + begun);
  CHECK(out.readings.size() == 2);
  REQUIRE(out.faults.size() == 1);
  CHECK(out.faults[0].at_byte == middle.size() + 2 * good.size());
}

TEST_CASE("an escape sequence as the messages' own bytes does not end a file, nor begin another") {
  // The value is a start sequence, at each place of a word.
  for (int shift = 0; shift < 4; ++shift) {
    std::string longer = "77 07 81 81 C7 82 03 FF 01 01 01 01 0" + std::to_string(shift + 1) + " ";
    for (int i = 0; i < shift; ++i) longer += "53 ";
    const std::string start = "77 07 81 81 C7 82 05 FF 01 01 01 01 09 1B 1B 1B 1B 01 01 01 01 ";
    CAPTURE(shift);
    CHECK(read(made_list(3, longer + "01 " + start + "01 " + power_entry)) == "@0 power_w=300\n");
  }
}

TEST_CASE("a file without end is dropped, with bounded memory, and the next one read") {
  Bytes endless = from_hex("1B1B1B1B 01010101");
  endless.resize(20'000, std::byte{0x76});
  const drivers::Output out = decode_whole(sml_profile(), endless + made_list(1, power_entry));
  REQUIRE(out.readings.size() == 1);
  CHECK(out.readings[0].at_byte == 20'000);
  REQUIRE_FALSE(out.faults.empty());
  CHECK(out.faults[0].message == "an SML file of more than 8192 bytes");
}

TEST_CASE("the same files in any pieces give the same readings and faults") {
  std::mt19937 random(7);
  const Bytes good = made_list(2, import_entry + power_entry);
  Bytes stream;
  for (int i = 0; i < 60; ++i) {
    Bytes file = good;
    if (random() % 3 == 0) file[random() % file.size()] ^= std::byte{4};
    if (random() % 4 == 0) file.erase(file.begin() + static_cast<std::ptrdiff_t>(random() % file.size()));
    stream = stream + file;
  }
  const std::string whole = read(stream);
  for (const std::size_t longest : {std::size_t{1}, std::size_t{7}, std::size_t{300}}) {
    drivers::Output out;
    auto decoder = drivers::make_capture_decoder(sml_profile()).value();
    in_pieces(stream, random, longest, [&](std::span<const std::byte> piece) { decoder->feed(piece, out); });
    decoder->finish(out);
    CHECK(described(out) == whole);
  }
}

TEST_CASE("lists that claim more than there is end the message, not the program") {
  const std::string body = "77 01 01 01 01 FF 0F 0F 0F 01 01";
  const drivers::Output out = decode_whole(sml_profile(), made_file(made_message("07 01", body)));
  CHECK(out.readings.empty());
  REQUIRE(out.faults.size() == 1);
  CHECK(out.faults[0].message == "an SML file with a message's contents break off");
  const Bytes bytes = from_hex("FF 8F 8F 0F");  // the reader looks at them, it keeps none
  drivers::sml::ElementReader claims(bytes);
  CHECK_FALSE(claims.skip());
}

}  // namespace nightwatt::test
