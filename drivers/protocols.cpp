#include "drivers/protocols.hpp"

#include <algorithm>
#include <array>

namespace nightwatt::drivers {

namespace {

/// The same protocols in the same order, as what the two kinds of readers ask for.
template <class Base, class... Settings>
const auto& list(SettingsList<Settings...>) {
  static const std::array<const Base*, sizeof...(Settings)> all = {&Settings::protocol()...};
  return all;
}

}  // namespace

std::span<const Protocol* const> protocols() {
  return list<Protocol>(AllSettings());
}

ProtocolReaders protocol_readers() {
  return list<ProtocolReader>(AllSettings());
}

const Protocol* find_protocol(std::string_view name) {
  const auto found = std::find_if(protocols().begin(), protocols().end(),
                                  [&](const Protocol* protocol) { return protocol->name() == name; });
  return found == protocols().end() ? nullptr : *found;
}

}  // namespace nightwatt::drivers
