// Simulated devices through the segmenter: what it makes of them can be stored and read back.
#include <catch2/catch.hpp>

#include "measure/segment/segmenter.hpp"
#include "measure/uncertainty/regime.hpp"
#include "measure/uncertainty/regime_codec.hpp"
#include "sim/model.hpp"

namespace nightwatt::sim {
namespace {

TEST_CASE("stretches of any length, of streams fast and slow, are read back as they were written") {
  const UtcTime begin{1'767'646'800'000'000};
  for (const double interval_s : {0.033, 0.25, 0.45, 1.0})
    for (std::uint64_t seed = 1; seed <= 40; ++seed) {
      auto script = parse_script(
          "level 0 for 5\nnoise white 0.05\nirregular 1 6 every 1.5s for 30\nlevel 2 for 9\nlevel 5 for 3\nlevel 2 for "
          "4\n",
          "test");
      REQUIRE(script);
      const Model model(std::move(*script), seed);
      MeterTraits traits;
      traits.resolution_w = 0.1;
      Segmenter segmenter({traits, 2.0});
      UtcTime last = begin;
      // A seed begins within another part of a second.
      for (double at_s = 0.023 * static_cast<double>(seed); at_s < model.script().length_s(); at_s += interval_s) {
        last = begin + to_duration(Seconds{at_s});
        segmenter.push(last, on_display(model.measured(Quantity::power, at_s), 0.1, DisplayRule::round));
      }
      segmenter.finish(last);
      CAPTURE(interval_s, seed);
      for (const Regime& regime : segmenter.take_final()) {
        const auto again = decode_regime(encode_regime(regime));
        REQUIRE(again);
        CHECK(*again == regime);
      }
    }
}

}  // namespace
}  // namespace nightwatt::sim
