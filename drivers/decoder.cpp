#include "drivers/decoder.hpp"

#include "drivers/protocols.hpp"

namespace nightwatt::drivers {

namespace {

Result<const Protocol*> protocol_of(const MeterProfile& profile) {
  if (const Protocol* protocol = find_protocol(profile.protocol_name())) return protocol;
  return fail(ErrorKind::input, "the profile " + profile.name + " names no protocol");
}

}  // namespace

Result<std::unique_ptr<Decoder>> make_decoder(const MeterProfile& profile) {
  return protocol_of(profile).and_then([&](const Protocol* protocol) { return protocol->live(profile); });
}

Result<std::unique_ptr<CaptureDecoder>> make_capture_decoder(const MeterProfile& profile) {
  return protocol_of(profile).and_then([&](const Protocol* protocol) { return protocol->capture(profile); });
}

}  // namespace nightwatt::drivers
