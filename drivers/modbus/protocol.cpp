#include <array>

#include "drivers/protocols.hpp"
#include "modbus/capture.hpp"
#include "modbus/plan.hpp"
#include "modbus/poller.hpp"
#include "modbus/tcp.hpp"
#include "toml_text.hpp"

namespace nightwatt::drivers::modbus {

namespace {

constexpr double shortest_timeout_s = 0.001;
constexpr double longest_timeout_s = 60.0;
constexpr std::int64_t most_retries = 20;
constexpr std::int64_t address_space = 65536;
constexpr IntegerRange rtu_units = {1, 247};
/// Implementation Guide V1.0b, 4.4.2.2: 0 and 255 are the server itself.
constexpr IntegerRange tcp_units = {0, 255};

constexpr std::array<std::string_view, 4> place_keys = {"function", "register", "type", "order"};
const std::vector<std::string_view> type_words = {"u16", "s16", "u32", "s32", "u64", "s64", "float32", "float64"};
const std::vector<std::string_view> order_words = {"abcd", "cdab", "badc", "dcba"};

void read_register(ProfileTable& table, ReadSpec& read) {
  if (const auto function = table.integer("function", {3, 4}))
    read.function = static_cast<int>(*function);
  else if (!table.has("function"))
    table.need("function", "write function = 3 (holding registers) or 4 (input registers)");

  const auto type = table.word("type", type_words);
  if (type)
    read.type = static_cast<RegisterType>(*type);
  else if (!table.has("type"))
    table.need("type", "write the register's type, such as type = \"float32\"");

  if (const auto order = table.word("order", order_words)) read.order = static_cast<RegisterOrder>(*order);

  if (const auto address = table.integer("register", {0, address_space - 1})) {
    read.register_address = static_cast<std::uint16_t>(*address);
    if (type && *address + static_cast<std::int64_t>(register_count(read.type)) > address_space)
      table.problem("register", "the value reaches past register 65535", "correct the register or its type");
  } else if (!table.has("register")) {
    table.need("register", "write the register's PDU address, counted from 0");
  }
}

std::string register_text(const ReadSpec& read) {
  return number_entry("function", read.function) + number_entry("register", read.register_address) +
         text_entry("type", type_words.at(static_cast<std::size_t>(read.type))) +
         text_entry("order", order_words.at(static_cast<std::size_t>(read.order)));
}

/// What both kinds of Modbus have in common but the unit's range.
template <class Settings>
Settings read_settings(ProfileTable& table, IntegerRange units) {
  Settings settings;
  if (const auto unit = table.integer("unit", units)) settings.unit = static_cast<int>(*unit);
  if (const auto timeout_s = table.number("timeout_s", {shortest_timeout_s, longest_timeout_s}))
    settings.timeout = to_duration({*timeout_s});
  if (const auto retries = table.integer("retries", {0, most_retries})) settings.retries = static_cast<int>(*retries);
  return settings;
}

template <class Settings>
std::string settings_text(const Settings& settings) {
  return number_entry("unit", settings.unit) + seconds_entry("timeout_s", settings.timeout) +
         number_entry("retries", settings.retries);
}

template <class Settings>
Result<Plan> plan_of(const MeterProfile& profile, const Settings& settings, IntegerRange units) {
  const std::string name(Settings::protocol_name);
  if (profile.interval <= Duration{0}) return fail(ErrorKind::input, name + ": interval_s must be above 0");
  if (settings.timeout <= Duration{0}) return fail(ErrorKind::input, name + ": timeout_s must be above 0");
  if (settings.retries < 0) return fail(ErrorKind::input, name + ": retries must not be negative");
  return Plan::make(name, settings.unit, units, profile.reads);
}

class Rtu final : public ProtocolOf<ModbusRtuSettings> {
 public:
  [[nodiscard]] ProtocolSettings read_table(ProfileTable& table) const override {
    return read_settings<ModbusRtuSettings>(table, rtu_units);
  }

  void check_line(const LineSettings& line, ProfileTable& table) const override {
    if (line.data_bits == 8) return;
    table.problem("data_bits", "modbus-rtu needs 8 data bits, this says " + std::to_string(line.data_bits),
                  "write data_bits = 8");
  }

  [[nodiscard]] std::span<const std::string_view> read_keys() const override { return place_keys; }
  void read_place(ProfileTable& table, const ProtocolSettings&, ReadSpec& read) const override {
    read_register(table, read);
  }

  [[nodiscard]] std::string table_text(const ProtocolSettings& settings) const override {
    return settings_text(*settings.find<ModbusRtuSettings>());
  }
  [[nodiscard]] std::string place_text(const ReadSpec& read, const ProtocolSettings&) const override {
    return register_text(read);
  }

  [[nodiscard]] Result<std::unique_ptr<Decoder>> live(const MeterProfile& profile) const override {
    const auto& settings = *profile.protocol.find<ModbusRtuSettings>();
    Result<Plan> plan = plan_of(profile, settings, rtu_units);
    if (!plan) return tl::unexpected(plan.error());
    return std::make_unique<Poller>(std::move(*plan), settings, profile.line, profile.interval);
  }

  [[nodiscard]] Result<std::unique_ptr<CaptureDecoder>> capture(const MeterProfile& profile) const override {
    Result<Plan> plan = plan_of(profile, *profile.protocol.find<ModbusRtuSettings>(), rtu_units);
    if (!plan) return tl::unexpected(plan.error());
    return std::make_unique<Capture>(std::move(*plan));
  }
};

class Tcp final : public ProtocolOf<ModbusTcpSettings> {
 public:
  [[nodiscard]] ProtocolSettings read_table(ProfileTable& table) const override {
    return read_settings<ModbusTcpSettings>(table, tcp_units);
  }
  [[nodiscard]] std::span<const std::string_view> read_keys() const override { return place_keys; }
  void read_place(ProfileTable& table, const ProtocolSettings&, ReadSpec& read) const override {
    read_register(table, read);
  }
  [[nodiscard]] std::string table_text(const ProtocolSettings& settings) const override {
    return settings_text(*settings.find<ModbusTcpSettings>());
  }
  [[nodiscard]] std::string place_text(const ReadSpec& read, const ProtocolSettings&) const override {
    return register_text(read);
  }
  [[nodiscard]] Result<std::unique_ptr<Decoder>> live(const MeterProfile& profile) const override {
    const auto& settings = *profile.protocol.find<ModbusTcpSettings>();
    Result<Plan> plan = plan_of(profile, settings, tcp_units);
    if (!plan) return tl::unexpected(plan.error());
    return std::make_unique<TcpPoller>(std::move(*plan), settings, profile.interval);
  }
  [[nodiscard]] Result<std::unique_ptr<CaptureDecoder>> capture(const MeterProfile& profile) const override {
    Result<Plan> plan = plan_of(profile, *profile.protocol.find<ModbusTcpSettings>(), tcp_units);
    if (!plan) return tl::unexpected(plan.error());
    return std::make_unique<TcpCapture>(std::move(*plan));
  }
};

}  // namespace

}  // namespace nightwatt::drivers::modbus

namespace nightwatt {

const drivers::Protocol& ModbusRtuSettings::protocol() {
  static const drivers::modbus::Rtu protocol;
  return protocol;
}

const drivers::Protocol& ModbusTcpSettings::protocol() {
  static const drivers::modbus::Tcp protocol;
  return protocol;
}

}  // namespace nightwatt
