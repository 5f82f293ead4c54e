#include "drivers/protocols.hpp"
#include "sml/decoder.hpp"

namespace nightwatt::drivers::sml {

namespace {

Result<FileStream> files_of(const MeterProfile& profile) {
  auto plan = obis::RegisterPlan::make(profile.reads);
  if (!plan) return tl::unexpected(plan.error());
  return FileStream(std::move(*plan), *profile.protocol.find<SmlSettings>());
}

class Sml final : public ProtocolOf<SmlSettings> {
 public:
  [[nodiscard]] ProtocolSettings read_table(ProfileTable& table) const override {
    SmlSettings settings;
    settings.unsigned_power = table.flag("unsigned_power").value_or(false);
    return settings;
  }
  void check_line(const LineSettings& line, ProfileTable& table) const override {
    if (line.data_bits != 8) table.problem("data_bits", "sml needs 8 data bits", "write data_bits = 8");
  }

  [[nodiscard]] std::span<const std::string_view> read_keys() const override { return obis::read_keys(); }
  void read_place(ProfileTable& table, const ProtocolSettings&, ReadSpec& read) const override {
    obis::read_place(table, read);
  }
  [[nodiscard]] std::vector<ReadSpec> usual_reads() const override { return obis::usual_reads(); }

  [[nodiscard]] std::string table_text(const ProtocolSettings& settings) const override {
    return settings.find<SmlSettings>()->unsigned_power ? "unsigned_power = true\n" : "";
  }
  [[nodiscard]] std::string place_text(const ReadSpec& read, const ProtocolSettings&) const override {
    return obis::place_text(read);
  }

  [[nodiscard]] Result<std::unique_ptr<Decoder>> live(const MeterProfile& profile) const override {
    auto files = files_of(profile);
    if (!files) return tl::unexpected(files.error());
    return std::make_unique<LiveDecoder>(std::move(*files));
  }
  [[nodiscard]] Result<std::unique_ptr<CaptureDecoder>> capture(const MeterProfile& profile) const override {
    auto files = files_of(profile);
    if (!files) return tl::unexpected(files.error());
    return std::make_unique<CaptureFiles>(std::move(*files));
  }
};

}  // namespace

}  // namespace nightwatt::drivers::sml

namespace nightwatt {

const drivers::Protocol& SmlSettings::protocol() {
  static const drivers::sml::Sml protocol;
  return protocol;
}

}  // namespace nightwatt
