#include "sml_meter.hpp"

#include <algorithm>
#include <array>
#include <charconv>

#include "field_text.hpp"

namespace nightwatt::sim {
namespace {

using std::string_literals::operator""s;

/// Bit by bit, as the standard describes the check.
std::string crc_of(const std::string& bytes) {
  unsigned crc = 0xFFFF;
  for (const char c : bytes) {
    crc ^= static_cast<unsigned char>(c);
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0x8408U : crc >> 1U;
  }
  crc ^= 0xFFFFU;
  return {static_cast<char>(crc & 0xFFU), static_cast<char>(crc >> 8U)};
}

std::string octets(const std::string& bytes) {
  const std::size_t one = bytes.size() + 1;
  if (one < 16) return std::string(1, static_cast<char>(one)) + bytes;
  const std::size_t two = bytes.size() + 2;
  return std::string{static_cast<char>(0x80U | two >> 4U), static_cast<char>(two & 0x0FU)} + bytes;
}

std::string list_of(std::size_t elements) {
  if (elements < 16) return std::string(1, static_cast<char>(0x70U | elements));
  return {static_cast<char>(0xF0U | elements >> 4U), static_cast<char>(elements & 0x0FU)};
}

/// As few bytes as hold it, which is what meters send.
std::string integer(std::int64_t value) {
  std::string bytes;
  do {
    bytes.insert(bytes.begin(), static_cast<char>(value & 0xFF));
    value >>= 8;
  } while (!(value == 0 && (bytes.front() & 0x80) == 0) && !(value == -1 && (bytes.front() & 0x80) != 0));
  return std::string(1, static_cast<char>(0x50U | (bytes.size() + 1))) + bytes;
}

std::string natural(unsigned value) {
  return std::string{0x62, static_cast<char>(value)};
}

/// A message with its check and end. `number` makes its transaction.
std::string message(std::uint64_t number, char group, const std::string& tag, const std::string& body) {
  std::string transaction;
  for (int byte = 3; byte >= 0; --byte) transaction += static_cast<char>(number >> (8 * byte) & 0xFFU);
  const std::string text = "\x76" + octets(transaction) + "\x62"s + group + "\x62\0"s + "\x72" + "\x63" + tag + body;
  return text + "\x63" + crc_of(text) + "\0"s;
}

/// Escaped, padded and checked.
std::string transported(const std::string& messages, bool spoilt) {
  const std::string escape(4, '\x1B');
  std::string padded = messages;
  while (padded.size() % 4 != 0) padded += '\0';
  const auto padding = static_cast<char>(padded.size() - messages.size());
  std::string file = escape + std::string(4, '\x01');
  for (std::size_t i = 0; i < padded.size(); i += 4) {
    const std::string word = padded.substr(i, 4);
    if (word == escape) file += escape;
    file += word;
  }
  file += escape + '\x1A' + padding;
  std::string check = crc_of(file);
  if (spoilt) check[0] = static_cast<char>(check[0] ^ 0x11);
  return file + check;
}

/// Groups C, D, E and the unit of a quantity's usual register.
struct Usual {
  std::array<unsigned char, 3> code;
  unsigned unit;
};
Usual usual(Quantity quantity) {
  switch (quantity) {
    case Quantity::energy:
      return {{1, 8, 0}, 30};
    case Quantity::energy_export:
      return {{2, 8, 0}, 30};
    case Quantity::voltage:
      return {{32, 7, 0}, 35};
    case Quantity::current:
      return {{31, 7, 0}, 33};
    case Quantity::power_factor:
      return {{13, 7, 0}, 255};
    case Quantity::frequency:
      return {{14, 7, 0}, 44};
    case Quantity::apparent:
      return {{9, 7, 0}, 28};
    case Quantity::reactive:
      return {{3, 7, 0}, 29};
    case Quantity::power:
      break;
  }
  return {{16, 7, 0}, 27};
}

/// The six groups of `1-0:16.7.0`, `16.7.0`; the quantity's usual ones where it says none.
std::string code_bytes(const std::string& obis, Quantity quantity) {
  std::string groups("\x01\0\0\0\0\xFF", 6);
  const std::size_t colon = obis.find(':');
  std::size_t at = colon == std::string::npos ? 2 : 0;
  if (obis.empty())
    for (const unsigned char group : usual(quantity).code) groups[at++] = static_cast<char>(group);
  for (std::size_t i = 0; i < obis.size() && at < 6; ++i) {
    unsigned group = 0;
    const auto end = std::from_chars(obis.data() + i, obis.data() + obis.size(), group).ptr;
    groups[at++] = static_cast<char>(group);
    i = static_cast<std::size_t>(end - obis.data());
  }
  return groups;
}

/// `digits` is a plain decimal.
std::string entry(const std::string& code, unsigned unit, std::string digits) {
  const std::size_t point = digits.find('.');
  const auto scaler = point == std::string::npos ? 0 : -static_cast<std::int64_t>(digits.size() - point - 1);
  if (point != std::string::npos) digits.erase(point, 1);
  std::int64_t number = 0;
  std::from_chars(digits.data(), digits.data() + digits.size(), number);
  return list_of(7) + octets(code) + "\x01\x01"s + natural(unit) + integer(scaler) + integer(number) + "\x01";
}

std::string absolute(const std::string& digits) {
  return digits.front() == '-' ? digits.substr(1) : digits;
}

}  // namespace

SmlMeter::SmlMeter(const MeterProfile& profile, Script script, std::uint64_t seed)
    : PushingMeter(profile, std::move(script), seed) {}

std::string SmlMeter::frame(double at_s, std::uint64_t number, Fate fate, SentValues& values) const {
  const std::uint64_t first = 3 * number;
  const std::string server = octets("\x0A\x01SKP\0\0\0\0\x01"s);
  const std::string open = "\x76\x01\x01"s + octets("skp" + std::to_string(number)) + server + "\x01\x01"s;
  const std::string messages = message(first, 0, "\x01\x01", open) +
                               message(first + 1, 0, "\x07\x01", "\x77\x01" + server + list(at_s, values)) +
                               message(first + 2, 0, "\x02\x01", "\x71\x01");
  return transported(messages, fate == Fate::checksum);
}

/// From the list's name on: a clock in seconds, the values, no signature and no gateway's time.
std::string SmlMeter::list(double at_s, SentValues& values) const {
  std::vector<std::string> entries;
  // A maker's own, with the escape sequence in it wherever words begin.
  entries.push_back(list_of(7) + octets("\x81\x81\xC7\x82\x05\xFF") + "\x01\x01\x01\x01"s +
                    octets(std::string(16, '\x1B') + std::string(16, '\x42')) + "\x01");
  for (const ReadSpec& read : profile().reads) {
    const FieldText field = to_field(read, model().measured(read.quantity, at_s), model().script());
    values.emplace_back(read.quantity, field.text);
    const unsigned unit = usual(read.quantity).unit;
    const bool out = field.raw.front() == '-';
    if (read.minus.empty()) {
      entries.push_back(entry(code_bytes(read.obis, read.quantity), unit, field.raw));
      continue;
    }
    entries.push_back(entry(code_bytes(read.obis, read.quantity), unit, out ? "0" : field.raw));
    entries.push_back(entry(code_bytes(read.minus, read.quantity), unit, out ? absolute(field.raw) : "0"));
  }
  const auto second = static_cast<std::uint32_t>(at_s);
  std::string text = octets("\x01\0\x62\x0A\xFF\xFF"s) + list_of(2) + natural(1) + "\x65";
  for (int byte = 3; byte >= 0; --byte) text += static_cast<char>(second >> (8 * byte) & 0xFFU);
  text += list_of(entries.size());
  for (const std::string& one : entries) text += one;
  return text + "\x01\x01"s;
}

}  // namespace nightwatt::sim
