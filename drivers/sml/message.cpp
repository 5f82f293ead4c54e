#include "sml/message.hpp"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <utility>

#include "crc16.hpp"
#include "sml/element.hpp"

namespace nightwatt::drivers::sml {

namespace {

constexpr std::size_t message_parts = 6;
constexpr std::size_t list_response_parts = 5;  // up to the list of values; signature and gateway's time may be cut
constexpr std::size_t entry_parts = 6;          // up to the value; the signature may be cut
constexpr std::size_t code_size = 6;
constexpr std::int64_t get_list_response = 0x0701;
/// Beyond, no number fits a reading however small it is.
constexpr std::int64_t widest_scaler = 18;
/// In the status of 1.8.0 (EDL meters): energy flows out.
constexpr std::int64_t flows_out = 0x20;
constexpr std::uint8_t power_unit = 27;
constexpr std::uint8_t at_the_moment = 7, counted = 8;  // of D
constexpr std::uint8_t net = 16, magnitude = 15, import = 1;

/// DLMS unit codes (IEC 62056-62, 5.2) of what a reading may hold. Others are told by their number.
std::string_view unit_text(std::optional<std::int64_t> code) {
  constexpr std::array<std::pair<std::int64_t, std::string_view>, 9> units = {{{power_unit, "W"},
                                                                               {28, "VA"},
                                                                               {29, "var"},
                                                                               {30, "Wh"},
                                                                               {31, "VAh"},
                                                                               {32, "varh"},
                                                                               {33, "A"},
                                                                               {35, "V"},
                                                                               {44, "Hz"}}};
  for (const auto& [number, text] : units)
    if (code == number) return text;
  return code && *code != 255 ? "?" : "";
}

/// Numbers without a unit are in the base unit all the same: the encoding has no other.
std::string_view own_unit(const obis::Code& code) {
  const bool active = code.c == import || code.c == import + 1 || code.c == magnitude || code.c == net;
  if (active && code.d == at_the_moment) return "W";
  return active && code.d == counted ? "Wh" : "";
}

class FileReader {
 public:
  FileReader(std::span<const std::byte> payload, bool unsigned_power)
      : in_(payload), payload_(payload), unsigned_power_(unsigned_power) {}

  FileContent read() {
    while (content_.problem.empty() && !in_.rest().empty()) {
      if (in_.rest().front() == std::byte{0}) {  // padding that the end did not count
        static_cast<void>(in_.next());
        continue;
      }
      message();
    }
    if (content_.problem.empty()) sign_magnitude();
    return std::move(content_);
  }

 private:
  void bad(std::string what) {
    content_.problem = std::move(what);
    content_.registers.clear();
  }

  void message() {
    const std::size_t begin = in_.at();
    if (!in_.list(message_parts) || !in_.skip(3) || !in_.list(2)) return bad("not a message of six parts");
    const auto tag = in_.next();
    const auto kind = tag ? tag->number() : std::nullopt;
    if (!kind) return bad("a message of no kind");
    if (!(*kind == get_list_response ? list_response() : in_.skip())) return bad("a message's contents break off");
    const std::size_t end = in_.at();
    const auto check = in_.next();
    const auto told = check ? check->number() : std::nullopt;
    if (!told || *told < 0 || *told > 0xFFFF) return bad("a message without its check");
    // Its bytes stand the other way round.
    const auto swapped = static_cast<std::uint16_t>(*told >> 8 | (*told & 0xFF) << 8);
    const auto bytes = payload_.subspan(begin, end - begin);
    if (swapped != crc16_x25(bytes) && swapped != crc16_kermit(bytes)) {
      content_.bad_check = true;
      return bad("a message with a wrong check");
    }
    const auto last = in_.next();
    if (!last || last->type != ElementType::end) return bad("a message without its end");
  }

  bool list_response() {
    const auto parts = in_.list(list_response_parts);
    if (!parts || !in_.skip(4)) return false;  // who asks, who answers, the list's name, its time
    const auto entries = in_.next();
    if (!entries) return false;
    if (entries->type == ElementType::list) {
      for (std::size_t i = 0; i < entries->length; ++i)
        if (!entry()) return false;
    } else if (!entries->absent()) {
      return false;
    }
    return in_.skip(*parts - list_response_parts);
  }

  bool entry() {
    const auto parts = in_.list(entry_parts);
    if (!parts) return false;
    const auto name = in_.next();
    const auto status = in_.next();
    if (!name || !status || !in_.skip()) return false;  // a status is a number or absent; a time may be a list
    const auto unit = in_.next();
    const auto scaler = in_.next();
    if (!unit || !scaler) return false;
    const ElementReader before = in_;
    const auto value = in_.next();
    if (!value) return false;
    if (value->type == ElementType::list) {  // a time, or a list of the maker's own
      in_ = before;
      if (!in_.skip()) return false;
    }
    if (!in_.skip(*parts - entry_parts)) return false;
    if (name->type == ElementType::octets && name->length == code_size) keep(*name, *status, *unit, *scaler, *value);
    return true;
  }

  void keep(const Element& name, const Element& status, const Element& unit, const Element& scaler,
            const Element& value) {
    const auto group = [&](std::size_t i) { return std::to_integer<std::uint8_t>(name.bytes[i]); };
    obis::Register found;
    found.code = {group(0), group(1), group(2), group(3), group(4), group(5)};
    const auto unit_code = unit.number();
    found.unit = unit_text(unit_code);
    if (found.unit.empty()) found.unit = own_unit(found.code);
    if (found.code.c == import && found.code.d == counted && found.code.e == 0)
      if (const auto bits = status.number()) out_ = (*bits & flows_out) != 0;
    if (value.absent()) {
      content_.registers.push_back(found);
      return;
    }
    if (value.type != ElementType::integer && value.type != ElementType::natural) return;
    auto number = value.number();
    if (number && unsigned_power_ && *number < 0 && unit_code == power_unit && value.length == 2) *number += 0x10000;
    const auto exponent = scaler.absent() ? std::optional<std::int64_t>(0) : scaler.number();
    if (number && exponent && std::abs(*exponent) <= widest_scaler)
      found.value = Decimal{*number, 0}.times({1, static_cast<std::int8_t>(*exponent)});
    if (found.value)
      content_.registers.push_back(found);
    else
      content_.too_large.push_back(found.code);
  }

  // Some meters have neither net power nor import and export, but how much flows; whither, the counter's status tells.
  void sign_magnitude() {
    const auto is = [](std::uint8_t c) {
      return
          [c](const obis::Register& had) { return had.code.c == c && had.code.d == at_the_moment && had.code.e == 0; };
    };
    std::vector<obis::Register>& all = content_.registers;
    if (std::any_of(all.begin(), all.end(), is(net)) || std::any_of(all.begin(), all.end(), is(import))) return;
    const auto found = std::find_if(all.begin(), all.end(), is(magnitude));
    if (found == all.end()) return;
    obis::Register signed_power = *found;
    signed_power.code.c = net;
    if (signed_power.value && signed_power.value->mantissa > 0 && out_) signed_power.value->mantissa *= -1;
    all.push_back(signed_power);
  }

  ElementReader in_;
  std::span<const std::byte> payload_;
  bool unsigned_power_;
  bool out_ = false;
  FileContent content_;
};

}  // namespace

FileContent read_file(std::span<const std::byte> payload, bool unsigned_power) {
  return FileReader(payload, unsigned_power).read();
}

}  // namespace nightwatt::drivers::sml
