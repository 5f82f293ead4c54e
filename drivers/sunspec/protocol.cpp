#include "drivers/protocols.hpp"
#include "sunspec/decoder.hpp"
#include "toml_text.hpp"

namespace nightwatt::drivers::sunspec {

namespace {

constexpr double shortest_timeout_s = 0.001;
constexpr double longest_timeout_s = 60.0;
constexpr std::int64_t most_retries = 20;

Result<std::vector<ReadSpec>> checked_reads(const MeterProfile& profile) {
  if (profile.interval <= Duration{0}) return fail(ErrorKind::input, "sunspec: interval_s must be above 0");
  if (profile.reads.empty()) return fail(ErrorKind::input, "sunspec: nothing to read");
  return profile.reads;
}

class SunSpec final : public ProtocolOf<SunSpecSettings> {
 public:
  [[nodiscard]] ProtocolSettings read_table(ProfileTable& table) const override {
    SunSpecSettings settings;
    if (const auto unit = table.integer("unit", {1, 247})) settings.unit = static_cast<int>(*unit);
    if (const auto timeout_s = table.number("timeout_s", {shortest_timeout_s, longest_timeout_s}))
      settings.timeout = to_duration({*timeout_s});
    if (const auto retries = table.integer("retries", {0, most_retries})) settings.retries = static_cast<int>(*retries);
    return settings;
  }
  void check_line(const LineSettings& line, ProfileTable& table) const override {
    if (line.data_bits != 8) table.problem("data_bits", "sunspec needs 8 data bits", "write data_bits = 8");
  }

  // The map says where everything is.
  [[nodiscard]] std::span<const std::string_view> read_keys() const override { return {}; }
  void read_place(ProfileTable&, const ProtocolSettings&, ReadSpec&) const override {}
  [[nodiscard]] std::vector<ReadSpec> usual_reads() const override {
    std::vector<ReadSpec> reads;
    for (const Quantity quantity : all_quantities) {
      reads.emplace_back();
      reads.back().quantity = quantity;
    }
    return reads;
  }

  [[nodiscard]] std::string table_text(const ProtocolSettings& settings) const override {
    const auto& sunspec = *settings.find<SunSpecSettings>();
    return number_entry("unit", sunspec.unit) + seconds_entry("timeout_s", sunspec.timeout) +
           number_entry("retries", sunspec.retries);
  }
  [[nodiscard]] std::string place_text(const ReadSpec&, const ProtocolSettings&) const override { return {}; }

  [[nodiscard]] Result<std::unique_ptr<Decoder>> live(const MeterProfile& profile) const override {
    auto reads = checked_reads(profile);
    if (!reads) return tl::unexpected(reads.error());
    return std::make_unique<Meter>(std::move(*reads), *profile.protocol.find<SunSpecSettings>(), profile.line,
                                   profile.interval);
  }
  [[nodiscard]] Result<std::unique_ptr<CaptureDecoder>> capture(const MeterProfile& profile) const override {
    auto reads = checked_reads(profile);
    if (!reads) return tl::unexpected(reads.error());
    return std::make_unique<CaptureBlocks>(std::move(*reads), profile.protocol.find<SunSpecSettings>()->unit);
  }
};

}  // namespace

}  // namespace nightwatt::drivers::sunspec

namespace nightwatt {

const drivers::Protocol& SunSpecSettings::protocol() {
  static const drivers::sunspec::SunSpec protocol;
  return protocol;
}

}  // namespace nightwatt
