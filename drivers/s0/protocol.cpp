#include "drivers/protocols.hpp"
#include "s0/decoder.hpp"
#include "toml_text.hpp"

namespace nightwatt::drivers::s0 {

namespace {

constexpr double fewest_pulses = 0.001;
constexpr double most_pulses = 1e6;
constexpr double longest_on_ms = 1000.0;
const std::vector<std::string_view> line_words = {"dcd", "cts", "dsr", "ri"};

Result<void> check(const MeterProfile& profile) {
  if (profile.interval <= Duration{0}) return fail(ErrorKind::input, "s0-pulse: interval_s must be above 0");
  for (const ReadSpec& read : profile.reads)
    if (read.quantity != Quantity::power && read.quantity != Quantity::energy)
      return fail(ErrorKind::input,
                  "s0-pulse: pulses tell power and energy, not " + std::string(quantity_name(read.quantity)));
  return {};
}

class S0Pulse final : public ProtocolOf<S0PulseSettings> {
 public:
  [[nodiscard]] std::string_view table_remedy() const override {
    return "add [s0-pulse] with pulses_per_kwh, which stands on the meter";
  }

  [[nodiscard]] ProtocolSettings read_table(ProfileTable& table) const override {
    S0PulseSettings settings;
    if (const auto word = table.word("line", line_words)) settings.line = static_cast<ModemLine>(*word);
    if (const auto pulses = table.number("pulses_per_kwh", {fewest_pulses, most_pulses}))
      settings.pulses_per_kwh = *pulses;
    else if (!table.has("pulses_per_kwh"))
      table.need("pulses_per_kwh", "write the constant that stands on the meter, such as 1000");
    if (const auto ms = table.number("shortest_on_ms", {0.0, longest_on_ms}))
      settings.shortest_on = to_duration({*ms / 1000.0});
    return settings;
  }

  [[nodiscard]] std::span<const std::string_view> read_keys() const override { return {}; }
  void read_place(ProfileTable&, const ProtocolSettings&, ReadSpec&) const override {}
  [[nodiscard]] std::vector<ReadSpec> usual_reads() const override {
    std::vector<ReadSpec> reads(2);
    reads[1].quantity = Quantity::energy;
    return reads;
  }

  [[nodiscard]] std::string table_text(const ProtocolSettings& settings) const override {
    const auto& s0 = *settings.find<S0PulseSettings>();
    return text_entry("line", line_words.at(static_cast<std::size_t>(s0.line))) +
           real_entry("pulses_per_kwh", s0.pulses_per_kwh) +
           real_entry("shortest_on_ms", to_seconds(s0.shortest_on).value * 1000.0);
  }
  [[nodiscard]] std::string place_text(const ReadSpec&, const ProtocolSettings&) const override { return {}; }

  [[nodiscard]] Result<std::unique_ptr<Decoder>> live(const MeterProfile& profile) const override {
    if (const auto good = check(profile); !good) return tl::unexpected(good.error());
    return std::make_unique<PulseMeter>(*profile.protocol.find<S0PulseSettings>(), profile.reads, profile.interval);
  }
  [[nodiscard]] Result<std::unique_ptr<CaptureDecoder>> capture(const MeterProfile& profile) const override {
    if (const auto good = check(profile); !good) return tl::unexpected(good.error());
    return std::make_unique<CapturePulses>(*profile.protocol.find<S0PulseSettings>(), profile.reads);
  }
};

}  // namespace

}  // namespace nightwatt::drivers::s0

namespace nightwatt {

const drivers::Protocol& S0PulseSettings::protocol() {
  static const drivers::s0::S0Pulse protocol;
  return protocol;
}

}  // namespace nightwatt
