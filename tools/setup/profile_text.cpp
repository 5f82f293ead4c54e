#include <array>

#include "drivers/protocols.hpp"
#include "measure/signal/digits.hpp"
#include "measure/signal/time_text.hpp"
#include "setup/files.hpp"
#include "toml_text.hpp"

namespace nightwatt::setup {
namespace {

std::string number(double value) {
  // Not the scientific form, which a person reads badly; all values here are of a human size.
  return digits_of(value, std::chars_format::fixed);
}

std::string line_text(const LineSettings& line) {
  constexpr std::array parities = {"none", "even", "odd", "mark", "space"};
  return "line = { baud = " + std::to_string(line.baud) + ", parity = \"" +
         parities.at(static_cast<std::size_t>(line.parity)) + "\", data_bits = " + std::to_string(line.data_bits) +
         ", stop_bits = " + std::to_string(line.stop_bits) + " }\n";
}

std::string accuracy_text(const Accuracy& accuracy) {
  if (!accuracy.meter_class.empty()) return "accuracy = { class = " + toml_quoted(accuracy.meter_class) + " }\n";
  return "accuracy = { percent = " + number(accuracy.percent) + ", floor = " + number(accuracy.floor) + " }\n";
}

std::string list_text(const std::vector<double>& values) {
  std::string text;
  for (const double value : values) text += (text.empty() ? "" : ", ") + number(value);
  return "[" + text + "]";
}

/// Of the day alone: a calibration is not kept to the minute.
std::string date_text(UtcTime time) {
  constexpr std::size_t date = 10;
  return toml_quoted(utc_text(time).substr(0, date));
}

}  // namespace

std::string correction_line(const Correction& correction) {
  return "correction = { coefficients = " + list_text(correction.coefficients) +
         ", covariance = " + list_text(correction.covariance) + ", scatter_w = " + number(correction.scatter_w) +
         ", from_w = " + number(correction.from_w) + ", to_w = " + number(correction.to_w) +
         ", made = " + date_text(correction.made) + ", until = " + date_text(correction.until) + " }";
}

std::string toml_quoted(const std::string& text) {
  std::string result = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') result += '\\';
    result += c;
  }
  return result + "\"";
}

std::string profile_text(const MeterProfile& profile, const std::string& head) {
  std::string text;
  std::size_t at = 0;
  while (at < head.size()) {
    const std::size_t end = std::min(head.find('\n', at), head.size());
    text += "# " + head.substr(at, end - at) + "\n";
    at = end + 1;
  }
  text += "\nprotocol = " + toml_quoted(std::string(profile.protocol_name())) + "\n" + line_text(profile.line);
  text += "interval_s = " + number(to_seconds(profile.interval).value) + "\n";
  if (profile.starting_w) text += "starting_w = " + number(*profile.starting_w) + "\n";
  if (profile.on_change) text += "reports = \"on-change\"\n";
  if (profile.gap_s) text += "gap_s = " + number(*profile.gap_s) + "\n";
  const drivers::Protocol* protocol = drivers::find_protocol(profile.protocol_name());
  if (protocol == nullptr) return text;
  text += "\n[" + std::string(protocol->name()) + "]\n" + protocol->table_text(profile.protocol);
  for (const ReadSpec& read : profile.reads) {
    text += "\n[[read]]\nquantity = " + toml_quoted(std::string(quantity_name(read.quantity))) + "\n";
    text += protocol->place_text(read, profile.protocol);
    text += "scale = " + read.scale.text() + "\n";
    if (read.resolution) text += "resolution = " + number(*read.resolution) + "\n";
    if (read.rounding != Rounding::not_told)
      text += read.rounding == Rounding::truncates ? "display = \"truncates\"\n" : "display = \"rounds\"\n";
    if (read.accuracy) text += accuracy_text(*read.accuracy);
    if (read.correction) text += correction_line(*read.correction) + "\n";
  }
  return text;
}

}  // namespace nightwatt::setup
