// Read-outs of IEC 62056-21: vectors of its check, and the dialogue of its modes under a clock that the test moves.
#include <catch2/catch.hpp>

#include "drivers/iec62056/settings.hpp"
#include "iec62056/framer.hpp"
#include "obis.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using namespace std::chrono_literals;
using test::described;
using test::from_text;

MeterProfile profile_of(Iec62056Mode mode, Iec62056Settings settings = {}) {
  MeterProfile profile;
  settings.mode = mode;
  profile.protocol = settings;
  profile.line = find_protocol("iec62056-21")->default_line_of(settings);
  profile.reads = obis::usual_reads();
  profile.reads.resize(2);
  return profile;
}

/// ISO 1155: exclusive or of what stands behind STX, ETX included.
std::string block(const std::string& lines) {
  const std::string inside = lines + "\x03";
  char sum = 0;
  for (const char c : inside) sum = static_cast<char>(sum ^ c);
  return "\x02" + inside + sum;
}

const std::string data = "0.0.0(00SKERRY1)\r\n1.8.0(001234.567*kWh)1.8.0*01(001000.0*kWh)\r\n1.7.0(00.230*kW)\r\n!\r\n";
const std::string ident_c = "/SKP5SKERRY-METER\r\n";
const std::string request = "/?!\r\n";
const std::string acknowledge =
    "\x06"
    "050\r\n";

/// A decoder, its clock, and what it did: what was sent and to what speed the line went.
class Bench {
 public:
  explicit Bench(const MeterProfile& profile) : decoder_(make_decoder(profile).value()) { decoder_->reset(0s); }
  void run_until(Duration now) {
    for (int i = 0; i < 1000 && *decoder_->next_tick() <= now; ++i) {
      now_ = std::max(now_, *decoder_->next_tick());
      decoder_->tick(now_, out);
      note();
    }
    now_ = now;
  }
  void run_for(Duration length) { run_until(now_ + length); }
  void hear(std::string_view text, Duration apart = 0s) {
    for (const char c : text) {
      decoder_->feed(from_text({&c, 1}), now_, out);
      note();
      if (apart > 0s) run_for(apart);
    }
  }
  /// Until the request is out; the time it took.
  std::string until_sent() {
    for (int i = 0; i < 20000 && log.find("send") == std::string::npos; ++i) run_for(10ms);
    return take();
  }
  std::string take() { return std::exchange(log, {}); }
  [[nodiscard]] Duration now() const { return now_; }

  Output out;
  std::string log;

 private:
  void note() {
    if (!out.send.empty()) {
      log += "send ";
      for (const std::byte byte : out.send) log += static_cast<char>(byte);
      log += ";";
    }
    if (out.line) log += "line " + std::to_string(out.line->baud) + ";";
    out.send.clear();
    out.line.reset();
  }
  std::unique_ptr<Decoder> decoder_;
  Duration now_{0};
};

std::string sent(const std::string& text) {
  return "send " + text + ";";
}

}  // namespace

TEST_CASE("the check of published commands and of our own block is that of ISO 1155") {
  // Vectors of an independent implementation's tests (see protocols: BSD-3), recomputed by hand.
  const auto good = [](std::string_view hex) {
    int commands = 0, damaged = 0;
    iec62056::Framer framer;
    for (const std::byte byte : test::from_hex(hex))
      framer.feed(byte, [&](const iec62056::Frame& frame) {
        (frame.kind == iec62056::FrameKind::damaged ? damaged : commands) += 1;
      });
    return commands == 1 && damaged == 0;
  };
  CHECK(good("01 57 32 02 43 30 30 33 28 39 31 30 33 32 34 30 39 32 32 33 39 29 03 1B"));
  CHECK(good("01 50 30 02 28 31 32 33 34 35 36 37 29 03 50"));  // SOH P0 STX (1234567) ETX
  CHECK(good("01 42 30 03 71"));                                // SOH B0 ETX: the end of a session
  CHECK_FALSE(good("01 42 30 03 70"));
  const std::string lines = "1-0:1.8.0(001234.567*kWh)\r\n1-0:1.7.0(00.230*kW)\r\n!\r\n";
  CHECK(block(lines).back() == 0x43);
  CHECK(described(test::decode_whole(profile_of(Iec62056Mode::c), from_text(block(lines)))) ==
        "@0 power_w=230 energy_wh=1234567\n");
}

TEST_CASE("mode c: request, identification, acknowledgement, the speed once it has left the wire, data, and back") {
  Bench bench(profile_of(Iec62056Mode::c));
  CHECK(bench.until_sent() == sent(request));
  bench.hear(ident_c);
  CHECK(bench.take() == sent(acknowledge));
  // Six characters of ten bits at 300 baud take 200 ms; the meter speaks 200 ms after the last.
  bench.run_for(200ms);
  CHECK(bench.take().empty());
  bench.run_for(150ms);
  CHECK(bench.take() == "line 9600;");
  bench.hear(block(data));
  CHECK(bench.take() == "line 300;");
  REQUIRE(bench.out.readings.size() == 1);
  CHECK(bench.out.faults.empty());
  CHECK(bench.out.readings[0].values.get(Quantity::power)->text() == "230");
  CHECK(bench.out.readings[0].values.get(Quantity::energy)->text() == "1234567");
  CHECK(bench.until_sent() == sent(request));  // and again
}

TEST_CASE("a meter with a small third letter answers after 20 ms, so the speed changes sooner") {
  Bench bench(profile_of(Iec62056Mode::c));
  bench.until_sent();
  bench.hear("/SKp5X\r\n");
  bench.take();
  bench.run_for(215ms);
  CHECK(bench.take() == "line 9600;");
}

TEST_CASE("mode c asks for no more than the head and the meter can do") {
  Bench slow_head(profile_of(Iec62056Mode::c, {.highest_baud = 2400}));
  slow_head.until_sent();
  slow_head.hear(ident_c);
  CHECK(slow_head.take() == sent("\x06"
                                 "030\r\n"));
  Bench slow_meter(profile_of(Iec62056Mode::c));
  slow_meter.until_sent();
  slow_meter.hear("/SKP0X\r\n");
  CHECK(slow_meter.take() == sent("\x06"
                                  "000\r\n"));
  slow_meter.run_for(1s);
  CHECK(slow_meter.take().empty());  // the speed is that of before
  slow_meter.hear(block(data));
  CHECK(slow_meter.out.readings.size() == 1);
}

TEST_CASE("mode b: the meter changes its speed by itself, mode a: nothing changes") {
  Bench b(profile_of(Iec62056Mode::b));
  b.until_sent();
  b.hear("/SKPESKERRY\r\n");
  b.run_for(1ms);
  CHECK(b.take() == "line 9600;");
  b.hear(block(data));
  CHECK(b.take() == "line 300;");
  CHECK(b.out.readings.size() == 1);

  Bench a(profile_of(Iec62056Mode::a));
  a.until_sent();
  a.hear("/SKPXSKERRY\r\n" + data);  // without STX, ETX and check
  CHECK(a.take().empty());
  CHECK(a.out.readings.size() == 1);
  a.until_sent();
  a.hear("/SKPXSKERRY\r\n" + block(data));  // or with
  CHECK(a.out.readings.size() == 2);
  CHECK(a.out.faults.empty());
}

TEST_CASE("an echo of one's own bytes is no answer, and an answer that begins as the echo would is one") {
  Bench bench(profile_of(Iec62056Mode::c));
  bench.until_sent();
  bench.hear(request + ident_c);
  bench.take();
  bench.hear(acknowledge);
  bench.run_for(400ms);
  bench.hear(block(data));
  CHECK(bench.out.readings.size() == 1);
  CHECK(bench.out.faults.empty());
}

TEST_CASE("a damaged block is asked for once more, and then given up") {
  std::string bad = block(data);
  bad[30] = static_cast<char>(bad[30] ^ 0x01);
  Bench bench(profile_of(Iec62056Mode::c));
  bench.until_sent();
  bench.hear(ident_c);
  bench.run_for(400ms);
  bench.hear(bad);
  bench.take();
  bench.run_for(2s);
  CHECK(bench.take() == sent("\x15"));
  bench.hear(block(data));
  CHECK(bench.out.readings.size() == 1);
  CHECK(bench.out.faults.size() == 1);
  // Twice damaged: no reading, no third try, the next round one step slower.
  bench.until_sent();
  bench.hear(ident_c);
  bench.run_for(400ms);
  bench.hear(bad);
  bench.run_for(2s);
  bench.hear(bad);
  bench.take();
  bench.run_for(2s);
  CHECK(bench.take().find("line 300;") == 0);
  CHECK(bench.out.readings.size() == 1);
  CHECK(bench.out.notes.size() == 1);
  if (bench.log.empty()) bench.until_sent();
  bench.hear(ident_c);
  CHECK(bench.take().find("\x06"
                          "040\r\n") != std::string::npos);
}

TEST_CASE("a meter that does not answer is asked again, and then a fault says so, it is found when it is back") {
  Bench bench(profile_of(Iec62056Mode::c));
  CHECK(bench.until_sent() == sent(request));
  CHECK(bench.until_sent() == sent(request));
  CHECK(bench.out.faults.empty());
  bench.until_sent();
  REQUIRE(bench.out.faults.size() == 1);
  CHECK(bench.out.faults[0].kind == FaultKind::timeout);
  bench.hear(ident_c);
  bench.run_for(400ms);
  bench.hear(block(data));
  CHECK(bench.out.readings.size() == 1);
}

TEST_CASE("a battery meter is woken by NULs for two seconds, then there is silence, then the request") {
  Bench bench(profile_of(Iec62056Mode::c, {.wake_up = true}));
  const std::string woken = bench.until_sent();
  const auto nuls = std::count(woken.begin(), woken.end(), '\0');
  const double nul_s = static_cast<double>(nuls) * 10.0 / 300.0;
  CHECK((nul_s > 2.1 && nul_s < 2.3));
  const Duration begun = bench.now();
  bench.hear(std::string(10, '\0'));  // the echo of some
  CHECK(bench.until_sent() == sent(request));
  const double pause_s = to_seconds(bench.now() - begun).value - nul_s;
  CHECK((pause_s > 1.5 && pause_s < 1.75));
}

TEST_CASE("only the meter of the address is asked") {
  Bench bench(profile_of(Iec62056Mode::c, {.address = "00123"}));
  CHECK(bench.until_sent() == sent("/?00123!\r\n"));
}

TEST_CASE("a reading counts from the instant of its power, however long the read-out takes") {
  Bench bench(profile_of(Iec62056Mode::a));
  bench.until_sent();
  const std::size_t power_ends = block(data).find("kW)\r\n") + 4;
  bench.hear("/SKPXSKERRY\r\n");
  const Duration begun = bench.now();
  bench.hear(block(data), 33ms);
  REQUIRE(bench.out.readings.size() == 1);
  REQUIRE(bench.out.readings[0].at.has_value());
  const auto characters = (*bench.out.readings[0].at - begun) / 33ms;
  CHECK(characters == static_cast<std::int64_t>(power_ends) - 1);
}

TEST_CASE("error strings are faults: in place of data, in place of a value, and in the register of fatal errors") {
  const MeterProfile profile = profile_of(Iec62056Mode::c);
  const auto decoded = [&](const std::string& lines) {
    return described(test::decode_whole(profile, from_text(block(lines))));
  };
  CHECK(decoded("(ER01)") == "@0 exception: the meter says \"ER01\"\n");
  CHECK(decoded("1.7.0(ERROR 3)\r\n1.8.0(1.0*kWh)\r\n!\r\n") ==
        "@0 energy_wh=1000\n@0 exception: the register \"1.7.0\" says \"ERROR 3\"\n");
  CHECK(decoded("F.F(0040)\r\n1.7.0(1.0*kW)\r\n!\r\n") ==
        "@0 power_w=1000\n@0 exception: the meter's register of fatal errors (F.F) says \"0040\"\n");
  CHECK(decoded("F.F(0000)\r\n1.7.0(1.0*kW)\r\n!\r\n") == "@0 power_w=1000\n");
  // Told when it changes, not in every read-out.
  const std::string failing = block("F.F(0040)\r\n1.7.0(1.0*kW)\r\n!\r\n");
  const Output out = test::decode_whole(profile, from_text(failing + failing + failing));
  CHECK(out.readings.size() == 3);
  CHECK(out.faults.size() == 1);
}

TEST_CASE("several sets in a line, several groups in a set, and a value without a unit") {
  MeterProfile profile = profile_of(Iec62056Mode::c);
  profile.reads[0].obis = "1.6.1";
  profile.reads[1].obis = "1.8.2";
  const std::string lines =
      "0.2.1(V1)(02)(3)\r\n1.6.1(0.345*kW)(0601032045)1.8.1(12.5*kWh)1.8.2(13.25*kWh)\r\nL.1(0*)\r\nMAKER'S(4)\r\n!"
      "\r\n";
  CHECK(described(test::decode_whole(profile, from_text(block(lines)))) == "@0 power_w=345 energy_wh=13250\n");
}

TEST_CASE("a whole dialogue as captured, with both sides in it, gives its readings, damage is found past") {
  const std::string round = request + ident_c + acknowledge + block(data);
  std::string bad = round;
  bad[50] = static_cast<char>(bad[50] ^ 0x02);
  const std::string stream =
      "kWh)\r\n!\r\n\x03"
      "A" +
      round + bad + "\xFFnoise\x81" + round + round;
  const auto bytes = from_text(stream);
  const Output whole = test::decode_whole(profile_of(Iec62056Mode::c), bytes);
  CHECK(whole.readings.size() == 3);
  CHECK(!whole.faults.empty());
  std::mt19937 random(13);
  for (const std::size_t longest : {1U, 9U, 200U}) {
    Output out;
    const auto decoder = make_capture_decoder(profile_of(Iec62056Mode::c)).value();
    test::in_pieces(bytes, random, longest, [&](auto piece) { decoder->feed(piece, out); });
    decoder->finish(out);
    CHECK(described(out) == described(whole));
  }
}

TEST_CASE("the rest of a damaged block is no read-out without a check") {
  const std::string good = block(data);
  const MeterProfile profile = profile_of(Iec62056Mode::c);
  for (std::size_t at = 1; at + 1 < good.size(); ++at)
    for (const unsigned bit : {0U, 1U, 2U, 3U, 4U, 5U, 6U}) {
      std::string bad = good;
      bad[at] = static_cast<char>(bad[at] ^ static_cast<char>(1U << bit));
      CAPTURE(at, bit);
      REQUIRE(test::decode_whole(profile, from_text(request + ident_c + acknowledge + bad)).readings.empty());
    }
}

TEST_CASE("mode d: telegrams as they come, at 2400 baud, seven bits") {
  const MeterProfile profile = profile_of(Iec62056Mode::d);
  CHECK(profile.line.baud == 2400);
  CHECK(profile.line.data_bits == 7);
  const std::string telegram = "/SKP3SKERRY-METER\r\n\r\n" + data;
  const Output out = test::decode_whole(profile, from_text(telegram + telegram));
  CHECK(described(out) ==
        "@0 power_w=230 energy_wh=1234567\n@" + std::to_string(telegram.size()) + " power_w=230 energy_wh=1234567\n");
}

TEST_CASE("what comes after the opening is of another read-out, and is waited for to end") {
  Bench bench(profile_of(Iec62056Mode::c));
  bench.run_for(1s);
  bench.hear(block(data));
  bench.run_for(1500ms);
  CHECK(bench.log.empty());
  CHECK(bench.out.readings.empty());
  CHECK(bench.until_sent() == sent(request));
}

}  // namespace nightwatt::drivers
