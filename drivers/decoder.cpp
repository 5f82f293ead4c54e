#include "drivers/decoder.hpp"

#include "drivers/protocols.hpp"
#include "fit_watch.hpp"

namespace nightwatt::drivers {

namespace {

Result<const Protocol*> protocol_of(const MeterProfile& profile) {
  if (const Protocol* protocol = find_protocol(profile.protocol_name())) return protocol;
  return fail(ErrorKind::input, "the profile " + profile.name + " names no protocol");
}

}  // namespace

Result<std::unique_ptr<Decoder>> make_decoder(const MeterProfile& profile) {
  const auto protocol = protocol_of(profile);
  if (!protocol) return tl::unexpected(protocol.error());
  auto decoder = (*protocol)->live(profile);
  if (!decoder) return decoder;
  return std::make_unique<WatchedDecoder>(std::move(*decoder), std::string(profile.protocol_name()));
}

Result<std::unique_ptr<CaptureDecoder>> make_capture_decoder(const MeterProfile& profile) {
  const auto protocol = protocol_of(profile);
  if (!protocol) return tl::unexpected(protocol.error());
  auto decoder = (*protocol)->capture(profile);
  if (!decoder) return decoder;
  return std::make_unique<WatchedCapture>(std::move(*decoder), std::string(profile.protocol_name()));
}

}  // namespace nightwatt::drivers
