#include <algorithm>

#include "drivers/protocols.hpp"
#include "iec62056/capture.hpp"
#include "iec62056/dialogue.hpp"
#include "obis.hpp"
#include "p1/decoder.hpp"
#include "toml_text.hpp"

namespace nightwatt::drivers::iec62056 {

namespace {

constexpr double shortest_timeout_s = 0.1;
constexpr double longest_timeout_s = 60.0;
constexpr std::int64_t most_retries = 20;
constexpr std::int64_t slowest_baud = 300;
constexpr std::int64_t fastest_baud = 19200;  // 6.3.14
constexpr std::size_t address_limit = 32;     // 6.3.1
const std::vector<std::string_view> mode_words = {"a", "b", "c", "d"};

/// The meter speaks by itself: as a P1 port does, which took its telegram from here.
bool pushes(const MeterProfile& profile) {
  return profile.protocol.find<Iec62056Settings>()->mode == Iec62056Mode::d;
}

class Head final : public ProtocolOf<Iec62056Settings> {
 public:
  /// 300 baud to begin with, 2400 where the meter speaks by itself; seven bits and even parity (clause 5).
  [[nodiscard]] LineSettings default_line_of(const ProtocolSettings& settings) const override {
    LineSettings line;
    line.baud = settings.find<Iec62056Settings>()->mode == Iec62056Mode::d ? 2400 : 300;
    line.parity = Parity::even;
    line.data_bits = 7;
    return line;
  }

  [[nodiscard]] ProtocolSettings read_table(ProfileTable& table) const override {
    Iec62056Settings settings;
    if (const auto mode = table.word("mode", mode_words)) settings.mode = static_cast<Iec62056Mode>(*mode);
    if (auto address = table.text("address", address_limit)) {
      const auto is_allowed = [](char c) { return c != '/' && c != '!' && c > ' ' && c <= '~'; };
      if (!std::all_of(address->begin(), address->end(), is_allowed))
        table.problem("address", "an address has letters and digits", "write it as the meter's plate has it");
      settings.address = std::move(*address);
    }
    if (const auto baud = table.integer("highest_baud", {slowest_baud, fastest_baud}))
      settings.highest_baud = static_cast<std::uint32_t>(*baud);
    if (const auto wake_up = table.flag("wake_up")) settings.wake_up = *wake_up;
    if (const auto timeout_s = table.number("timeout_s", {shortest_timeout_s, longest_timeout_s}))
      settings.timeout = to_duration({*timeout_s});
    if (const auto retries = table.integer("retries", {0, most_retries})) settings.retries = static_cast<int>(*retries);
    return settings;
  }

  [[nodiscard]] std::span<const std::string_view> read_keys() const override { return obis::read_keys(); }
  void read_place(ProfileTable& table, const ProtocolSettings&, ReadSpec& read) const override {
    obis::read_place(table, read);
  }
  [[nodiscard]] std::vector<ReadSpec> usual_reads() const override { return obis::usual_reads(); }

  [[nodiscard]] std::string table_text(const ProtocolSettings& settings) const override {
    const auto& head = *settings.find<Iec62056Settings>();
    return text_entry("mode", mode_words.at(static_cast<std::size_t>(head.mode))) +
           (head.address.empty() ? "" : text_entry("address", head.address)) +
           number_entry("highest_baud", head.highest_baud) + "wake_up = " + (head.wake_up ? "true\n" : "false\n") +
           seconds_entry("timeout_s", head.timeout) + number_entry("retries", head.retries);
  }
  [[nodiscard]] std::string place_text(const ReadSpec& read, const ProtocolSettings&) const override {
    return obis::place_text(read);
  }

  [[nodiscard]] Result<std::unique_ptr<Decoder>> live(const MeterProfile& profile) const override {
    auto plan = obis::RegisterPlan::make(profile.reads);
    if (!plan) return tl::unexpected(plan.error());
    if (pushes(profile)) return std::make_unique<p1::LiveTelegrams>(std::move(*plan));
    if (profile.interval <= Duration{0}) return fail(ErrorKind::input, "iec62056-21: interval_s must be above 0");
    std::vector<ReadSpec> power = profile.reads;
    std::erase_if(power, [](const ReadSpec& read) { return read.quantity != Quantity::power; });
    return std::make_unique<Dialogue>(std::move(*plan), obis::RegisterPlan::make(power).value(),
                                      *profile.protocol.find<Iec62056Settings>(), profile.line, profile.interval);
  }
  [[nodiscard]] Result<std::unique_ptr<CaptureDecoder>> capture(const MeterProfile& profile) const override {
    auto plan = obis::RegisterPlan::make(profile.reads);
    if (!plan) return tl::unexpected(plan.error());
    if (pushes(profile)) return std::make_unique<p1::CaptureTelegrams>(std::move(*plan));
    return std::make_unique<CaptureReadOuts>(std::move(*plan));
  }
};

}  // namespace

}  // namespace nightwatt::drivers::iec62056

namespace nightwatt {

const drivers::Protocol& Iec62056Settings::protocol() {
  static const drivers::iec62056::Head protocol;
  return protocol;
}

}  // namespace nightwatt
