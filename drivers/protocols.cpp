#include "drivers/protocols.hpp"

#include <algorithm>
#include <array>

#include "iec62056/protocol.hpp"
#include "modbus/protocol.hpp"
#include "p1/protocol.hpp"
#include "s0/protocol.hpp"
#include "scpi/protocol.hpp"
#include "sml/protocol.hpp"
#include "sunspec/protocol.hpp"
#include "text/protocol.hpp"

namespace nightwatt::drivers {

namespace {

/// The same protocols in the same order, as what the two kinds of readers ask for.
template <class Base>
const auto& list() {
  static const std::array<const Base*, 9> all = {
      &modbus::rtu_protocol(),      &modbus::tcp_protocol(),    &text::line_protocol(),
      &scpi::instrument_protocol(), &sunspec::map_protocol(),   &s0::pulse_protocol(),
      &p1::port_protocol(),         &iec62056::head_protocol(), &sml::message_protocol()};
  return all;
}

}  // namespace

std::span<const Protocol* const> protocols() {
  return list<Protocol>();
}

ProtocolReaders protocol_readers() {
  return list<ProtocolReader>();
}

const Protocol* find_protocol(std::string_view name) {
  const auto found = std::find_if(protocols().begin(), protocols().end(),
                                  [&](const Protocol* protocol) { return protocol->name() == name; });
  return found == protocols().end() ? nullptr : *found;
}

}  // namespace nightwatt::drivers
