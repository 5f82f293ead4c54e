// Round trips of a stretch's bytes, over generated stretches of every shape and with every part there or missing.
#include "measure/uncertainty/regime_codec.hpp"

#include <catch2/catch.hpp>
#include <cstdint>
#include <random>
#include <string>
#include <vector>

#include "measure/uncertainty/regime.hpp"

using namespace nightwatt;

namespace {

class Generator {
 public:
  explicit Generator(unsigned seed) : random_(seed) {}
  std::int64_t below(std::uint32_t limit) { return static_cast<std::int64_t>(random_() % limit); }
  bool one_in(std::uint32_t n) { return random_() % n == 0; }
  double real() { return static_cast<double>(below(2'000'000) - 500'000) / 1024.0; }
  double positive() { return static_cast<double>(below(1'000'000)) / 1024.0; }

  Regime regime() {
    Regime s;
    s.begin = UtcTime{1'795'000'000'000'000 + below(1'000'000'000)};
    s.end = s.begin + Duration{below(4'000'000'000)};
    s.shape = static_cast<RegimeShape>(below(5));
    s.begin_uncertainty_s = positive();
    s.end_uncertainty_s = positive();
    s.samples = below(100'000);
    s.energy_ws = real();
    s.covered_s = positive();
    s.lowest_w = real();
    s.highest_w = real();
    s.excursions = below(9);
    s.line_begin_w = real();
    s.line_end_w = real();
    if (one_in(3)) s.duty = positive();
    if (one_in(3)) s.cycles = Cycles{2 + below(1000), real(), positive()};
    if (one_in(2)) s.figure = figure();
    fill(s.sketch, s.begin);
    return s;
  }

 private:
  LevelFigure figure() {
    LevelFigure figure{static_cast<std::uint8_t>(below(200)),
                       positive(),
                       real(),
                       real(),
                       positive(),
                       positive(),
                       positive(),
                       real(),
                       {}};
    if (one_in(2)) figure.settling = Settling{real(), positive(), positive(), one_in(2)};
    return figure;
  }

  /// Single readings and seconds of several, whose values are told apart or too many; a counter that moves on.
  void fill(LevelSketch& sketch, UtcTime time) {
    const std::int64_t unit_uw = one_in(2) ? 100'000 : 1;
    std::int64_t energy_uwh = below(1'000'000'000);
    const bool has_counter = one_in(2);
    for (std::int64_t left = below(200); left > 0; --left) {
      time = time + Duration{1 + below(40) * 1'000'000};
      std::vector<ShownValue> values;
      SketchEntry entry;
      entry.time = time;
      entry.n = 1 + below(3);
      entry.mean = static_cast<double>(below(40) * unit_uw) * 1e-6;
      entry.m2 = entry.n > 1 ? positive() : 0.0;
      entry.covered_s = positive();
      entry.integral_ws = real();
      if (entry.n > 1 && !one_in(50)) {
        values = {{below(40) * unit_uw, 1}, {(40 + below(40)) * unit_uw, entry.n - 1}};
        entry.values = values;
      }
      if (has_counter && one_in(3)) {
        entry.tick_step_uwh = 1 + below(1'000'000);
        entry.tick = CounterTick{time.us, energy_uwh += entry.tick_step_uwh, one_in(10)};
        entry.tick_width_s = positive();
      }
      entry.repeats = {1, below(2), below(2)};
      sketch.add(entry);
      if (one_in(40)) sketch.interrupt();
    }
  }

  std::mt19937 random_;
};

void add_to(std::uint64_t& hash, const std::string& bytes) {  // FNV-1a
  for (const char byte : bytes) hash = (hash ^ static_cast<unsigned char>(byte)) * 0x100000001b3U;
}

}  // namespace

TEST_CASE("any stretch comes back from its bytes as it was, whole and as outline and sketch") {
  Generator generator(20261127);
  for (int i = 0; i < 400; ++i) {
    CAPTURE(i);
    const Regime regime = generator.regime();
    const auto whole = decode_regime(encode_regime(regime));
    REQUIRE(whole.has_value());
    REQUIRE(*whole == regime);
    auto outline = decode_regime(encode_outline(regime));
    REQUIRE(outline.has_value());
    REQUIRE(outline->digest() == regime.digest());
    REQUIRE(encode_outline(*outline) == encode_outline(regime));
    REQUIRE(decode_sketch(encode_sketch(regime), *outline).has_value());
    REQUIRE(*outline == regime);
  }
}

TEST_CASE("a stretch's bytes that were cut, or are longer than they were, are refused") {
  Generator generator(7);
  for (int i = 0; i < 8; ++i) {
    const Regime regime = generator.regime();
    for (const std::string& bytes : {encode_regime(regime), encode_outline(regime)}) {
      for (std::size_t length = 0; length < bytes.size(); ++length)
        REQUIRE_FALSE(decode_regime(bytes.substr(0, length)).has_value());
      REQUIRE_FALSE(decode_regime(bytes + '\0').has_value());
    }
  }
}

TEST_CASE("a stretch with any bit turned is refused, or comes back from its own bytes") {
  Generator generator(9);
  for (int i = 0; i < 400; ++i) {
    CAPTURE(i);
    std::string bytes = encode_regime(generator.regime());
    bytes[static_cast<std::size_t>(generator.below(static_cast<std::uint32_t>(bytes.size())))] ^=
        static_cast<char>(1U << generator.below(8));
    const auto odd = decode_regime(bytes);
    if (!odd) continue;
    const auto encoded = [](const Regime& regime) {
      return regime.without_sketch ? encode_outline(regime) : encode_regime(regime);
    };
    const auto again = decode_regime(encoded(*odd));
    REQUIRE(again.has_value());
    REQUIRE(encoded(*again) == encoded(*odd));
  }
}

TEST_CASE("stretches have the bytes that stores hold already") {
  // Made by the program of before the fields were listed once (commit dba3281), for these very stretches.
  Generator generator(11);
  std::uint64_t hash = 0xcbf29ce484222325U;
  for (int i = 0; i < 200; ++i) {
    const Regime regime = generator.regime();
    for (const std::string& bytes : {encode_regime(regime), encode_outline(regime), encode_sketch(regime)})
      add_to(hash, bytes);
  }
  CHECK(hash == 0xe70c56c01c071adeU);
}
