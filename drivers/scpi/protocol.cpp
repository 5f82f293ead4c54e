#include <array>

#include "drivers/protocols.hpp"
#include "scpi/decoder.hpp"
#include "scpi/plan.hpp"
#include "toml_text.hpp"

namespace nightwatt::drivers::scpi {

namespace {

constexpr double shortest_timeout_s = 0.001;
constexpr double longest_timeout_s = 60.0;
constexpr std::int64_t most_retries = 20;
constexpr std::size_t most_setup_lines = 32;
constexpr std::array<std::string_view, 2> place_keys = {"query", "field"};

class Scpi final : public ProtocolOf<ScpiSettings> {
 public:
  [[nodiscard]] ProtocolSettings read_table(ProfileTable& table) const override {
    ScpiSettings settings;
    settings.setup = table.texts("setup", query_limit, most_setup_lines);
    if (const auto timeout_s = table.number("timeout_s", {shortest_timeout_s, longest_timeout_s}))
      settings.timeout = to_duration({*timeout_s});
    if (const auto retries = table.integer("retries", {0, most_retries})) settings.retries = static_cast<int>(*retries);
    return settings;
  }

  [[nodiscard]] std::span<const std::string_view> read_keys() const override { return place_keys; }
  void read_place(ProfileTable& table, const ProtocolSettings&, ReadSpec& read) const override {
    read.column = 1;
    if (!table.has("query")) table.need("query", "write what is asked, such as query = \"MEAS:POW?\"");
    if (auto query = table.text("query", query_limit)) {
      read.query = std::move(*query);
      if (read.query.back() != '?') table.problem("query", "a query ends with a question mark", "add it");
    }
    if (const auto field = table.integer("field", {1, field_limit})) read.column = static_cast<int>(*field);
  }

  [[nodiscard]] std::string table_text(const ProtocolSettings& settings) const override {
    const auto& scpi = *settings.find<ScpiSettings>();
    std::string lines;
    for (const std::string& line : scpi.setup) lines += (lines.empty() ? "" : ", ") + toml_quoted(line);
    return (lines.empty() ? "" : "setup = [" + lines + "]\n") + seconds_entry("timeout_s", scpi.timeout) +
           number_entry("retries", scpi.retries);
  }
  [[nodiscard]] std::string place_text(const ReadSpec& read, const ProtocolSettings&) const override {
    return text_entry("query", read.query) + number_entry("field", read.column);
  }

  [[nodiscard]] Result<std::unique_ptr<Decoder>> live(const MeterProfile& profile) const override {
    if (profile.interval <= Duration{0}) return fail(ErrorKind::input, "scpi: interval_s must be above 0");
    Result<Plan> plan = Plan::make(profile.reads);
    if (!plan) return tl::unexpected(plan.error());
    return std::make_unique<Instrument>(std::move(*plan), *profile.protocol.find<ScpiSettings>(), profile.line,
                                        profile.interval);
  }
  [[nodiscard]] Result<std::unique_ptr<CaptureDecoder>> capture(const MeterProfile& profile) const override {
    Result<Plan> plan = Plan::make(profile.reads);
    if (!plan) return tl::unexpected(plan.error());
    return std::make_unique<CaptureAnswers>(std::move(*plan));
  }
};

}  // namespace

}  // namespace nightwatt::drivers::scpi

namespace nightwatt {

const drivers::Protocol& ScpiSettings::protocol() {
  static const drivers::scpi::Scpi protocol;
  return protocol;
}

}  // namespace nightwatt
