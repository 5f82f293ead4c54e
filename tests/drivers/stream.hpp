// Shared by the decoder tests: bytes from hexadecimal, profiles in one line, whole input against pieces.
#pragma once

#include <cstddef>
#include <random>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/decoder.hpp"
#include "drivers/protocols.hpp"

namespace nightwatt::test {

using Bytes = std::vector<std::byte>;

/// "11 03 FF" to bytes; blanks are free.
inline Bytes from_hex(std::string_view text) {
  Bytes bytes;
  std::string digits;
  for (const char c : text) {
    if (c == ' ' || c == '\n') continue;
    digits += c;
    if (digits.size() < 2) continue;
    bytes.push_back(static_cast<std::byte>(std::stoi(digits, nullptr, 16)));
    digits.clear();
  }
  return bytes;
}

inline Bytes from_text(std::string_view text) {
  Bytes bytes;
  for (const char c : text) bytes.push_back(static_cast<std::byte>(c));
  return bytes;
}

inline Bytes operator+(Bytes a, const Bytes& b) {
  a.insert(a.end(), b.begin(), b.end());
  return a;
}

inline ReadSpec modbus_read(Quantity quantity, int function, std::uint16_t address, RegisterType type,
                            RegisterOrder order = RegisterOrder::abcd, Decimal scale = {1, 0}) {
  ReadSpec read;
  read.quantity = quantity;
  read.function = function;
  read.register_address = address;
  read.type = type;
  read.order = order;
  read.scale = scale;
  return read;
}

inline MeterProfile modbus_profile(std::vector<ReadSpec> reads, int unit = 17) {
  MeterProfile profile;
  ModbusRtuSettings settings;
  settings.unit = unit;
  profile.protocol = settings;
  profile.reads = std::move(reads);
  return profile;
}

/// Cuts into random pieces of 1 to `longest` bytes.
template <class Feed>
void in_pieces(std::span<const std::byte> bytes, std::mt19937& random, std::size_t longest, Feed&& feed) {
  std::uniform_int_distribution<std::size_t> length(1, longest);
  while (!bytes.empty()) {
    const std::size_t piece = std::min(length(random), bytes.size());
    feed(bytes.first(piece));
    bytes = bytes.subspan(piece);
  }
}

inline drivers::Output decode_whole(const MeterProfile& profile, std::span<const std::byte> bytes) {
  drivers::Output out;
  auto decoder = drivers::make_capture_decoder(profile).value();
  decoder->feed(bytes, out);
  decoder->finish(out);
  return out;
}

/// "@0 power_w=244.0 energy_wh=6825" for each reading and "@9 checksum: text" for each fault.
inline std::string described(const drivers::Output& out) {
  std::string text;
  for (const drivers::Measurement& reading : out.readings) {
    text += "@" + std::to_string(reading.at_byte);
    for (const Quantity quantity : all_quantities)
      if (const auto value = reading.values.get(quantity))
        text += " " + std::string(quantity_column(quantity)) + "=" + value->text();
    text += "\n";
  }
  for (const drivers::Fault& fault : out.faults)
    text += "@" + std::to_string(fault.at_byte) + " " + std::string(drivers::fault_kind_name(fault.kind)) + ": " +
            fault.message + "\n";
  return text;
}

}  // namespace nightwatt::test
