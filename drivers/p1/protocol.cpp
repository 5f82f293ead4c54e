#include "drivers/protocols.hpp"
#include "obis.hpp"
#include "p1/decoder.hpp"

namespace nightwatt::drivers::p1 {

namespace {

class P1 final : public ProtocolOf<DsmrP1Settings> {
 public:
  /// Of version 4 and later; 2.2 and 3 speak at 9600 baud, 7E1.
  [[nodiscard]] LineSettings default_line() const override {
    LineSettings line;
    line.baud = 115200;
    return line;
  }
  [[nodiscard]] ProtocolSettings read_table(ProfileTable&) const override { return DsmrP1Settings(); }

  [[nodiscard]] std::span<const std::string_view> read_keys() const override { return obis::read_keys(); }
  void read_place(ProfileTable& table, const ProtocolSettings&, ReadSpec& read) const override {
    obis::read_place(table, read);
  }
  [[nodiscard]] std::vector<ReadSpec> usual_reads() const override { return obis::usual_reads(); }

  [[nodiscard]] std::string table_text(const ProtocolSettings&) const override { return {}; }
  [[nodiscard]] std::string place_text(const ReadSpec& read, const ProtocolSettings&) const override {
    return obis::place_text(read);
  }

  [[nodiscard]] Result<std::unique_ptr<Decoder>> live(const MeterProfile& profile) const override {
    auto plan = obis::RegisterPlan::make(profile.reads);
    if (!plan) return tl::unexpected(plan.error());
    return std::make_unique<LiveTelegrams>(std::move(*plan));
  }
  [[nodiscard]] Result<std::unique_ptr<CaptureDecoder>> capture(const MeterProfile& profile) const override {
    auto plan = obis::RegisterPlan::make(profile.reads);
    if (!plan) return tl::unexpected(plan.error());
    return std::make_unique<CaptureTelegrams>(std::move(*plan));
  }
};

}  // namespace

}  // namespace nightwatt::drivers::p1

namespace nightwatt {

const drivers::Protocol& DsmrP1Settings::protocol() {
  static const drivers::p1::P1 protocol;
  return protocol;
}

}  // namespace nightwatt
