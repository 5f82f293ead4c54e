#include <catch2/catch.hpp>

#include "scpi/number.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::drivers {

namespace {

using test::from_text;
using namespace std::chrono_literals;

ReadSpec read_of(Quantity quantity, const std::string& query, int field = 1, Decimal scale = {1, 0}) {
  ReadSpec read;
  read.quantity = quantity;
  read.query = query;
  read.column = field;
  read.scale = scale;
  return read;
}

MeterProfile profile_of(std::vector<ReadSpec> reads, ScpiSettings settings = {}) {
  MeterProfile profile;
  profile.protocol = std::move(settings);
  profile.reads = std::move(reads);
  return profile;
}

/// Power, then voltage and current in one answer.
MeterProfile three_values() {
  return profile_of({read_of(Quantity::voltage, "MEAS:VI?", 1), read_of(Quantity::power, "MEAS:POW?"),
                     read_of(Quantity::current, "MEAS:VI?", 2)});
}

/// A decoder under a clock that only the test moves.
class Bench {
 public:
  explicit Bench(const MeterProfile& profile) : decoder_(make_decoder(profile).value()) {}
  /// What is sent by `now`, as text.
  std::string sent_until(Duration now) {
    for (int i = 0; i < 1000 && *decoder_->next_tick() <= now; ++i) {
      now_ = std::max(now_, *decoder_->next_tick());
      decoder_->tick(now_, out);
    }
    now_ = now;
    decoder_->tick(now_, out);
    return take_sent();
  }
  std::string hear(std::string_view text) {
    decoder_->feed(from_text(text), now_, out);
    return take_sent();
  }
  Decoder& decoder() { return *decoder_; }
  Output out;

 private:
  std::string take_sent() {
    std::string sent;
    for (const std::byte byte : out.send) sent += static_cast<char>(byte);
    out.send.clear();
    return sent;
  }
  std::unique_ptr<Decoder> decoder_;
  Duration now_{0};
};

}  // namespace

TEST_CASE("numbers of IEEE 488.2 are read in all three forms, and the special ones of SCPI-99 are none") {
  using namespace scpi;
  const auto value = [](std::string_view text) {
    const Number number = read_number(text);
    REQUIRE(number.state == NumberState::number);
    return number.value;
  };
  CHECK(value("-12") == Decimal{-12, 0});             // NR1
  CHECK(value("230.4").text() == "230.4");            // NR2, with its digits
  CHECK(value("+2.30400E+02") == Decimal{2304, -1});  // NR3
  CHECK(value(" 1.5e-3 ") == Decimal{15, -4});
  CHECK(value("25.02 W") == Decimal{2502, -2});
  // SCPI-99 volume 1, 7.2.1.
  CHECK(read_number("9.91E37").state == NumberState::none);
  CHECK(read_number("+9.910000E+37").state == NumberState::none);
  CHECK(read_number("NAN").state == NumberState::none);
  for (const std::string_view text : {"9.9E37", "+9.9E+37", "-9.9E37", "INF", "-INF", "NINF", "1E300", "1E999"})
    CHECK(read_number(text).state == NumberState::beyond);
  for (const std::string_view text : {"", "1.5E", "abc", "#15hello", "1.2.3", "\"text\""})
    CHECK(read_number(text).state == NumberState::word);
}

TEST_CASE("an answer of the error queue is told from every other") {
  int number = 7;
  std::string_view text;
  // As an independent SCPI parser library answers it.
  CHECK(scpi::read_error("-113,\"Undefined header;MEAS:POW?\"", number, text));
  CHECK(number == -113);
  CHECK(text == "Undefined header;MEAS:POW?");
  CHECK(scpi::read_error("0,\"No error\"", number, text));
  CHECK(number == 0);
  CHECK(scpi::read_error("+0, \"No error\"", number, text));
  for (const std::string_view line : {"0", "1,2", "25.02", "-113", "", "a,\"b\"", "1,\""})
    CHECK_FALSE(scpi::read_error(line, number, text));
}

TEST_CASE("queries go out one after the other, the power first, and a query of several fields once") {
  Bench bench(three_values());
  CHECK(bench.sent_until(0ms) == "MEAS:POW?\n");
  CHECK(bench.hear("+2.50200E+01\r\n") == "MEAS:VI?\n");
  CHECK(bench.hear("230.4,0.1086\r\n").empty());
  CHECK(test::described(bench.out) == "@0 power_w=25.0200 voltage_v=230.4 current_a=0.1086\n");
  CHECK(bench.sent_until(999ms).empty());
  CHECK(bench.sent_until(1000ms) == "MEAS:POW?\n");
}

TEST_CASE("the setup is sent once after opening, and its errors are told") {
  ScpiSettings settings;
  settings.setup = {"*CLS", "CONF:POW"};
  Bench bench(profile_of({read_of(Quantity::power, "READ?")}, settings));
  bench.decoder().reset(0ms);
  CHECK(bench.hear("17.3\n").empty());  // to somebody who is gone
  CHECK(bench.sent_until(999ms).empty());
  CHECK(bench.sent_until(1000ms) == "*CLS\nCONF:POW\nSYST:ERR?\n");
  CHECK(bench.hear("18.1\n").empty());  // this one was late
  CHECK(bench.hear("-113,\"Undefined header\"\n") == "SYST:ERR?\n");
  CHECK(bench.hear("0,\"No error\"\n").empty());
  CHECK(bench.sent_until(1001ms) == "READ?\n");
  bench.hear("25.0\n");
  CHECK(test::described(bench.out).find("@0 ") == std::string::npos);
  REQUIRE(bench.out.readings.size() == 1);
  CHECK(bench.out.readings[0].values.get(Quantity::power)->text() == "25.0");
  REQUIRE(bench.out.faults.size() == 1);
  CHECK(bench.out.faults[0].message == "the instrument says -113, \"Undefined header\" (after the setup)");
}

TEST_CASE("a header that the instrument does not know is told in its own words") {
  Bench bench(profile_of({read_of(Quantity::power, "MEAS:POW?"), read_of(Quantity::voltage, "MEAS:VOLT?")}));
  CHECK(bench.sent_until(0ms) == "MEAS:POW?\n");
  CHECK(bench.hear("25.0\n") == "MEAS:VOLT?\n");
  CHECK(bench.sent_until(900ms).empty());
  CHECK(bench.sent_until(1100ms) == "SYST:ERR?\n");
  CHECK(bench.hear("-113,\"Undefined header;MEAS:VOLT?\"\n") == "SYST:ERR?\n");
  bench.hear("0,\"No error\"\n");
  CHECK(test::described(bench.out) ==
        "@0 power_w=25.0\n@5 exception: the instrument says -113, \"Undefined header;MEAS:VOLT?\" (after "
        "MEAS:VOLT?)\n");
}

TEST_CASE("a query that the instrument does not know is left alone for a minute, then for longer, and power goes on") {
  Bench bench(profile_of({read_of(Quantity::power, "MEAS:POW?"), read_of(Quantity::voltage, "MEAS:VOLT?")}));
  int unknown = 0, power = 0;
  bool erring = false;
  for (int ms = 0; ms <= 600'000; ms += 10) {
    std::string line = bench.sent_until(std::chrono::milliseconds(ms));
    while (!line.empty()) {
      if (line == "MEAS:VOLT?\n") erring = ++unknown > 0;
      if (line == "MEAS:POW?\n") ++power;
      const std::string answer = line == "MEAS:POW?\n"             ? "25.0\n"
                                 : line == "SYST:ERR?\n" && erring ? "-113,\"Undefined header\"\n"
                                 : line == "SYST:ERR?\n"           ? "0,\"No error\"\n"
                                                                   : "";
      if (line == "SYST:ERR?\n") erring = false;
      line = answer.empty() ? "" : bench.hear(answer);
    }
  }
  CHECK(unknown == 4);  // at once, after 1, 3 and 7 minutes
  CHECK(power >= 592);  // of 601: a time-out of a second each
  CHECK(bench.out.readings.size() >= 592);
  CHECK(bench.out.faults.size() == 4);
}

TEST_CASE("a damaged answer of the error queue is no power of -113 W") {
  Bench bench(profile_of({read_of(Quantity::power, "MEAS:POW?")}));
  CHECK(bench.sent_until(0ms) == "MEAS:POW?\n");
  CHECK(bench.hear("-113,\"Undef)ned heN\n").empty());
  CHECK(bench.out.readings.empty());
  CHECK(bench.out.faults.size() == 1);
  CHECK(test::decode_whole(profile_of({read_of(Quantity::power, "MEAS:POW?")}), from_text("-113,\"Undef\n25.0\n"))
            .readings.size() == 1);
}

TEST_CASE("a late answer before the queue's is the query's own, and never the next query's") {
  MeterProfile slow = three_values();
  slow.interval = 5s;
  Bench bench(slow);
  CHECK(bench.sent_until(0ms) == "MEAS:POW?\n");
  CHECK(bench.sent_until(1100ms) == "SYST:ERR?\n");
  CHECK(bench.hear("25.0\n").empty());
  CHECK(bench.hear("0,\"No error\"\n") == "MEAS:VI?\n");
  bench.hear("230.4,0.108\n");
  REQUIRE(bench.out.readings.size() == 1);
  CHECK(bench.out.readings[0].values.get(Quantity::power)->text() == "25.0");
  CHECK(bench.out.readings[0].values.get(Quantity::voltage)->text() == "230.4");
  CHECK(bench.out.readings[0].at == Duration(1100ms));
}

TEST_CASE("an instrument that is silent is asked again, then a fault") {
  Bench bench(profile_of({read_of(Quantity::power, "READ?")}));
  std::string sent = bench.sent_until(10'000ms);
  CHECK(sent.rfind("READ?\nSYST:ERR?\nREAD?\nSYST:ERR?\n", 0) == 0);
  REQUIRE_FALSE(bench.out.faults.empty());
  CHECK(bench.out.faults[0].message == "no answer to READ? after 2 tries");
  CHECK(bench.out.readings.empty());
}

TEST_CASE("an echo is no answer") {
  Bench bench(profile_of({read_of(Quantity::power, "READ?")}));
  bench.sent_until(0ms);
  bench.hear("READ?\r\n25.0\r\n");
  CHECK(test::described(bench.out) == "@7 power_w=25.0\n");
}

TEST_CASE("not a number leaves its quantity out, infinity is a fault, a damaged answer is asked again") {
  Bench bench(three_values());
  bench.sent_until(0ms);
  bench.hear("25.0\n");
  bench.hear("9.91E37,9.9E37\n");
  CHECK(test::described(bench.out) == "@0 power_w=25.0\n@5 range: current is out of range: \"9.9E37\"\n");
  bench.out = {};
  CHECK(bench.sent_until(1000ms) == "MEAS:POW?\n");
  CHECK(bench.hear("2x.0\n") == "MEAS:POW?\n");
  CHECK(bench.hear("25.1\n") == "MEAS:VI?\n");
}

TEST_CASE("a captured instrument is read with its queries or without") {
  const auto decoded = [](std::string_view text) {
    return test::described(test::decode_whole(three_values(), from_text(text)));
  };
  // In the profile's order: the answer with voltage and current first.
  CHECK(decoded("230.4,0.108\n25.0\n230.5,0.109\n25.1\n") ==
        "@0 power_w=25.0 voltage_v=230.4 current_a=0.108\n@17 power_w=25.1 voltage_v=230.5 current_a=0.109\n");
  CHECK(decoded("*IDN?\nA,B,0,1\nMEAS:POW?\n25.0\nMEAS:VI?\n230.4,0.108\n") ==
        "@24 power_w=25.0 voltage_v=230.4 current_a=0.108\n");
  CHECK(decoded("MEAS:POW?\n25.0\nMEAS:VI?\n230.4,0.1").find("may be cut") != std::string::npos);
}

TEST_CASE("an instrument is read the same in any pieces") {
  std::mt19937 random(488);
  INFO("seed 488");
  std::vector<test::Bytes> rounds;
  for (unsigned i = 0; i < 200; ++i) {
    std::string text = std::to_string(random() % 300) + "." + std::to_string(random() % 10);
    if (random() % 5 == 0) text = "MEAS:POW?\r\n" + text;
    if (random() % 6 == 0) text[random() % text.size()] = static_cast<char>(random() & 0xFFU);
    if (random() % 7 == 0) text = "230.1,0.5";
    if (random() % 9 == 0) text = "-200,\"Execution error\"";
    if (random() % 11 == 0) text = "0,\"No error\"";
    rounds.push_back(from_text(text + (random() % 2 == 0 ? "\r\n" : "\n")));
  }
  const auto run = [&](std::size_t longest) {
    Bench bench(three_values());
    std::string sent;
    for (std::size_t i = 0; i < rounds.size(); ++i) {
      sent += bench.sent_until(static_cast<std::int64_t>(i) * 400ms);
      test::in_pieces(rounds[i], random, longest, [&](std::span<const std::byte> piece) {
        std::string text;
        for (const std::byte byte : piece) text += static_cast<char>(byte);
        sent += bench.hear(text);
      });
    }
    return sent + test::described(bench.out);
  };
  const std::string whole = run(100000);
  CHECK(whole.find("power_w") != std::string::npos);
  CHECK(run(1) == whole);
  CHECK(run(3) == whole);
}

}  // namespace nightwatt::drivers
