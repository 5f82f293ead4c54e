#include "line_meter.hpp"

#include <algorithm>
#include <cstdio>

#include "field_text.hpp"

namespace nightwatt::sim {

std::string with_checksum(const std::string& body, bool spoilt) {
  unsigned check = spoilt ? 0x11 : 0;
  for (const char c : body) check ^= static_cast<unsigned char>(c);
  char tail[8];
  std::snprintf(tail, sizeof tail, "*%02X", check & 0xFFU);
  return "$" + body + tail;
}

LineMeter::LineMeter(const MeterProfile& profile, Script script, std::uint64_t seed)
    : PushingMeter(profile, std::move(script), seed), text_(*profile.protocol.find<TextLineSettings>()) {}

void LineMeter::plugged(double at_s, std::vector<Chunk>& out) {
  PushingMeter::plugged(at_s, out);
  if (!model().script().banner.empty()) out.push_back({to_bytes(model().script().banner + "\r\n"), std::nullopt});
}

std::string LineMeter::frame(double at_s, std::uint64_t number, Fate fate, SentValues& values) const {
  std::string text = body(at_s, number, values);
  if (text_.checksum == TextChecksum::xor_nmea) text = with_checksum(text, fate == Fate::checksum);
  return text + "\r\n";
}

std::string LineMeter::body(double at_s, std::uint64_t number, SentValues& values) const {
  std::vector<std::string> columns;
  std::string text = text_.form == TextForm::json ? "{" : "";
  for (const ReadSpec& read : profile().reads) {
    const FieldText field = to_field(read, model().measured(read.quantity, at_s), model().script());
    values.emplace_back(read.quantity, field.text);
    if (text_.form == TextForm::csv) {
      columns.resize(std::max(columns.size(), static_cast<std::size_t>(read.column)));
      columns[static_cast<std::size_t>(read.column) - 1] = field.raw;
    } else if (text_.form == TextForm::key_value) {
      text += (text.empty() ? "" : " ") + read.key + "=" + field.raw;
    } else {
      text += (text.size() == 1 ? "\"" : ",\"") + read.key + "\":" + field.raw;
    }
  }
  if (text_.form == TextForm::json) return text + "}";
  if (text_.form == TextForm::key_value) return text;
  // Columns the profile does not name hold the line's number, as home-made meters like to count.
  for (std::size_t i = 0; i < columns.size(); ++i)
    text += (i == 0 ? "" : ",") + (columns[i].empty() ? std::to_string(number) : columns[i]);
  return text;
}

}  // namespace nightwatt::sim
