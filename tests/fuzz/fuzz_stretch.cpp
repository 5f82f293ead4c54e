// Hostile bytes where a run's kept stretches are expected: refused, or a stretch that is written and read again as it
// was and of which figures can be asked, never a crash.
#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string>
#include <string_view>

#include "measure/segment/segmenter.hpp"
#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/regime_codec.hpp"

using namespace nightwatt;

namespace {

void ask_figures(const Regime& regime) {
  (void)regime.digest();
  ClassifyInput input;
  input.learnt.step_w = 1.0;
  (void)classify({&regime, 1}, input);
  (void)level_budget(regime, {}, 1.0);
}

/// Compared as bytes: what is no number is equal to nothing, itself included.
void require_round_trip(const Regime& regime) {
  const std::string bytes = regime.without_sketch ? encode_outline(regime) : encode_regime(regime);
  const auto again = decode_regime(bytes);
  if (!again || (again->without_sketch ? encode_outline(*again) : encode_regime(*again)) != bytes) std::abort();
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 2) return 0;
  const std::string_view bytes(reinterpret_cast<const char*>(data) + 2, size - 2);
  // Whole, or an outline of the length that the first byte tells and the sketch that goes with it.
  const std::size_t outline_size = data[0] % 2 == 0 ? bytes.size() : std::min<std::size_t>(data[1], bytes.size());
  auto regime = decode_regime(bytes.substr(0, outline_size));
  if (!regime) return 0;
  require_round_trip(*regime);
  if (regime->without_sketch && !decode_sketch(bytes.substr(outline_size), *regime)) return 0;
  require_round_trip(*regime);
  ask_figures(*regime);
  return 0;
}
