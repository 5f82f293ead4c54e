#include "drivers/decoder.hpp"

#include <utility>

#include "modbus_capture.hpp"
#include "modbus_plan.hpp"
#include "modbus_poller.hpp"
#include "text_decoder.hpp"

namespace nightwatt::drivers {

namespace {

/// Answers a protocol's question for both kinds of decoder. A new protocol adds one overload to each of the two below.
Result<std::unique_ptr<Decoder>> live(const ModbusRtuSettings& settings, const MeterProfile& profile) {
  if (profile.interval <= Duration{0}) return fail(ErrorKind::input, "modbus-rtu: interval_s must be above 0");
  if (settings.timeout <= Duration{0}) return fail(ErrorKind::input, "modbus-rtu: timeout_s must be above 0");
  if (settings.retries < 0) return fail(ErrorKind::input, "modbus-rtu: retries must not be negative");
  Result<modbus::Plan> plan = modbus::Plan::make(settings, profile.reads);
  if (!plan) return tl::unexpected(plan.error());
  return std::make_unique<modbus::Poller>(std::move(*plan), settings, profile.line, profile.interval);
}

Result<std::unique_ptr<CaptureDecoder>> capture(const ModbusRtuSettings& settings, const MeterProfile& profile) {
  Result<modbus::Plan> plan = modbus::Plan::make(settings, profile.reads);
  if (!plan) return tl::unexpected(plan.error());
  return std::make_unique<modbus::Capture>(std::move(*plan));
}

Result<std::unique_ptr<Decoder>> live(const TextLineSettings& settings, const MeterProfile& profile) {
  Result<text::LineReader> reader = text::LineReader::make(settings, profile.reads);
  if (!reader) return tl::unexpected(reader.error());
  return std::make_unique<text::LiveDecoder>(std::move(*reader));
}

Result<std::unique_ptr<CaptureDecoder>> capture(const TextLineSettings& settings, const MeterProfile& profile) {
  Result<text::LineReader> reader = text::LineReader::make(settings, profile.reads);
  if (!reader) return tl::unexpected(reader.error());
  return std::make_unique<text::CaptureLines>(std::move(*reader));
}

}  // namespace

Result<std::unique_ptr<Decoder>> make_decoder(const MeterProfile& profile) {
  return std::visit([&](const auto& settings) { return live(settings, profile); }, profile.protocol);
}

Result<std::unique_ptr<CaptureDecoder>> make_capture_decoder(const MeterProfile& profile) {
  return std::visit([&](const auto& settings) { return capture(settings, profile); }, profile.protocol);
}

}  // namespace nightwatt::drivers
