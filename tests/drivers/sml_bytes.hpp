// SML files made by hand: hexadecimal in, messages with their checks and a framed file out. Shares nothing with the
// decoder.
#pragma once

#include <string>
#include <string_view>

#include "stream.hpp"

namespace nightwatt::test {

/// CRC-16/X-25 bit by bit, low byte first; `start` 0 and no inversion is the other one that some meters take.
inline Bytes sml_crc(const Bytes& bytes, bool usual = true) {
  unsigned crc = usual ? 0xFFFF : 0;
  for (const std::byte byte : bytes) {
    crc ^= std::to_integer<unsigned>(byte);
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0x8408U : crc >> 1U;
  }
  if (usual) crc ^= 0xFFFFU;
  return {static_cast<std::byte>(crc & 0xFFU), static_cast<std::byte>(crc >> 8U)};
}

/// A message: `tag` and `body` in hexadecimal.
inline Bytes made_message(std::string_view tag, std::string_view body, bool usual = true) {
  const Bytes text = from_hex("76 05 01 02 03 04 62 00 62 00 72 63") + from_hex(tag) + from_hex(body);
  return text + from_hex("63") + sml_crc(text, usual) + from_hex("00");
}

/// Escaped, padded, checked.
inline Bytes made_file(const Bytes& messages, bool usual = true) {
  const Bytes escape = from_hex("1B1B1B1B");
  Bytes padded = messages;
  while (padded.size() % 4 != 0) padded.push_back(std::byte{0});
  Bytes file = escape + from_hex("01010101");
  for (std::size_t i = 0; i < padded.size(); i += 4) {
    const Bytes word(padded.begin() + static_cast<std::ptrdiff_t>(i),
                     padded.begin() + static_cast<std::ptrdiff_t>(i + 4));
    file = file + (word == escape ? escape + word : word);
  }
  file = file + escape + Bytes{std::byte{0x1A}, static_cast<std::byte>(padded.size() - messages.size())};
  return file + sml_crc(file, usual);
}

/// Open, a list with these entries, close.
inline Bytes made_list_messages(int entries, std::string_view list, bool usual = true) {
  const std::string count = entries < 16 ? "7" + std::string(1, "0123456789ABCDEF"[entries])
                                         : "F" + std::string(1, "0123456789ABCDEF"[entries / 16]) + " 0" +
                                               std::string(1, "0123456789ABCDEF"[entries % 16]);
  return made_message("01 01", "76 01 01 05 61 62 63 64 06 0A 01 53 4B 50 01 01", usual) +
         made_message("07 01",
                      "77 01 06 0A 01 53 4B 50 07 01 00 62 0A FF FF 72 62 01 65 00 00 00 2A " + count +
                          std::string(list) + "01 01",
                      usual) +
         made_message("02 01", "71 01", usual);
}

inline Bytes made_list(int entries, std::string_view list) {
  return made_file(made_list_messages(entries, list));
}

inline MeterProfile sml_profile(bool unsigned_power = false) {
  MeterProfile profile;
  profile.name = "sml";
  profile.protocol = SmlSettings{unsigned_power};
  profile.reads = drivers::find_protocol("sml")->usual_reads();
  return profile;
}

}  // namespace nightwatt::test
