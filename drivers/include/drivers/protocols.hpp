// The one list of all protocols. A new one is entered here; whoever visits the list and must do something for every
// protocol (the simulated meter) does not compile until it has an answer for it.
#pragma once

#include <memory>
#include <span>
#include <string_view>
#include <type_traits>

#include "drivers/decoder.hpp"
#include "drivers/iec62056/settings.hpp"
#include "drivers/modbus/settings.hpp"
#include "drivers/p1/settings.hpp"
#include "drivers/s0/settings.hpp"
#include "drivers/scpi/settings.hpp"
#include "drivers/sml/settings.hpp"
#include "drivers/sunspec/settings.hpp"
#include "drivers/text/settings.hpp"
#include "measure/signal/profile_table.hpp"

namespace nightwatt::drivers {

/// A protocol: its part of profile files and its decoders. No state. How its bytes are known stands in looks_like.cpp.
class Protocol : public ProtocolReader {
 public:
  [[nodiscard]] virtual Result<std::unique_ptr<Decoder>> live(const MeterProfile& profile) const = 0;
  [[nodiscard]] virtual Result<std::unique_ptr<CaptureDecoder>> capture(const MeterProfile& profile) const = 0;
};

/// What follows from the type of a protocol's settings. That has its name, and protocol(), which protocol.cpp defines.
template <class Settings>
class ProtocolOf : public Protocol {
 public:
  [[nodiscard]] std::string_view name() const final { return Settings::protocol_name; }
  [[nodiscard]] ProtocolSettings defaults() const final { return Settings(); }
};

/// Settings of a protocol that asks: how long an answer is waited for, and how often a question is asked again.
template <class Settings>
concept Asks = requires(Settings settings) {
  settings.timeout;
  settings.retries;
};

/// The types of all protocols' settings.
template <class... Settings>
struct SettingsList {};
using AllSettings = SettingsList<ModbusRtuSettings, ModbusTcpSettings, TextLineSettings, ScpiSettings, SunSpecSettings,
                                 S0PulseSettings, DsmrP1Settings, Iec62056Settings, SmlSettings>;

/// All protocols, in the order of the list.
[[nodiscard]] std::span<const Protocol* const> protocols();
/// The same, as what reads profile files.
[[nodiscard]] ProtocolReaders protocol_readers();
/// nullptr: there is none of that name.
[[nodiscard]] const Protocol* find_protocol(std::string_view name);

template <class... F>
struct Overloaded : F... {
  using F::operator()...;
};
template <class... F>
Overloaded(F...) -> Overloaded<F...>;

/// Calls `visitor` with the settings as their own type. It must take all types of the list, and always answer with one.
template <class Visitor, class First, class... Rest>
auto visit_settings(const ProtocolSettings& settings, Visitor&& visitor, SettingsList<First, Rest...>) {
  static_assert(std::is_invocable_v<Visitor, const First&>, "a protocol of the list is missing in this visitor");
  if (const First* found = settings.find<First>()) return visitor(*found);
  if constexpr (sizeof...(Rest) > 0) {
    return visit_settings(settings, visitor, SettingsList<Rest...>());
  } else {
    return visitor(First());  // settings without a value: no profile is read without its protocol
  }
}
template <class Visitor>
auto visit_settings(const ProtocolSettings& settings, Visitor&& visitor) {
  return visit_settings(settings, visitor, AllSettings());
}

}  // namespace nightwatt::drivers
