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
    : profile_(profile),
      text_(*profile.protocol.find<TextLineSettings>()),
      interval_s_(static_cast<double>(profile.interval.count()) * 1e-6),
      model_(std::move(script), seed),
      faults_(model_.script(), seed) {}

std::optional<double> LineMeter::next_s() const {
  const auto noise = faults_.next_noise_s();
  return noise ? std::min(*noise, line_time_s()) : line_time_s();
}

void LineMeter::advance(double at_s, std::vector<Chunk>& out) {
  while (line_time_s() <= at_s) {
    const double due_s = line_time_s();
    for (auto& burst : faults_.noise_until(due_s)) out.push_back({std::move(burst), std::nullopt});
    out.push_back(line(due_s));
    ++next_line_;
  }
  for (auto& burst : faults_.noise_until(at_s)) out.push_back({std::move(burst), std::nullopt});
}

void LineMeter::plugged(double at_s, std::vector<Chunk>& out) {
  // What it would have said while unplugged, nobody heard.
  while (line_time_s() < at_s) ++next_line_;
  (void)faults_.noise_until(at_s);
  if (!model_.script().banner.empty()) out.push_back({to_bytes(model_.script().banner + "\r\n"), std::nullopt});
}

Chunk LineMeter::line(double at_s) {
  const Faults::Verdict verdict = faults_.next_frame(at_s);
  Sent sent{at_s, verdict.fate, {}};
  std::string text = body(at_s, sent.values);
  if (text_.checksum == TextChecksum::xor_nmea) text = with_checksum(text, verdict.fate == Fate::checksum);
  text += "\r\n";
  if (verdict.fate == Fate::silent) text.clear();
  if (verdict.fate == Fate::cut) text.resize(text.size() / 2);
  if (verdict.fate == Fate::twice) text += text;
  return {to_bytes(text), std::move(sent)};
}

std::string LineMeter::body(double at_s, std::vector<std::pair<Quantity, std::string>>& values) const {
  std::vector<std::string> columns;
  std::string text = text_.form == TextForm::json ? "{" : "";
  for (const ReadSpec& read : profile_.reads) {
    const FieldText field = to_field(read, model_.measured(read.quantity, at_s), model_.script());
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
    text += (i == 0 ? "" : ",") + (columns[i].empty() ? std::to_string(next_line_) : columns[i]);
  return text;
}

}  // namespace nightwatt::sim
