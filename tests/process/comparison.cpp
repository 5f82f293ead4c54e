#include "comparison.hpp"

#include <cmath>
#include <cstdlib>
#include <set>

namespace nightwatt::process {
namespace {

bool same_number(const std::string& a, const std::string& b) {
  // Digits behind the point may differ ("25" and "25.0"), the value may not: both are read to the nearest double.
  return std::strtod(a.c_str(), nullptr) == std::strtod(b.c_str(), nullptr);
}

bool same_values(const std::map<std::string, std::string>& a, const std::map<std::string, std::string>& b) {
  if (a.size() != b.size()) return false;
  for (const auto& [name, text] : a) {
    const auto other = b.find(name);
    if (other == b.end() || !same_number(text, other->second)) return false;
  }
  return true;
}

std::string show(const std::map<std::string, std::string>& values) {
  std::string text;
  for (const auto& [name, value] : values) text += " " + name + "=" + value;
  return text;
}

}  // namespace

Comparison compare(const std::vector<SentFrame>& sent, const std::vector<StoredReading>& stored, double late_s) {
  Comparison comparison;
  std::size_t next = 0;
  double last_s = 0.0;
  for (std::size_t i = 0; i < stored.size(); ++i) {
    const StoredReading& reading = stored[i];
    const std::string which = "stored reading " + std::to_string(i) + " at " + std::to_string(reading.unix_s) + ":";
    if (reading.unix_s <= last_s) {
      comparison.problem = which + " not later than the one before";
      return comparison;
    }
    last_s = reading.unix_s;
    while (next < sent.size() && !(sent[next].readable() && same_values(sent[next].values, reading.values))) ++next;
    if (next == sent.size()) {
      comparison.problem = which + show(reading.values) + " was not sent, or is out of order, or is there twice";
      return comparison;
    }
    // The log's time is taken just after the bytes were handed over, so a reading may seem a little early.
    const double late = reading.unix_s - sent[next].unix_s;
    if (late > late_s || late < -late_s) {
      comparison.problem = which + " stamped " + std::to_string(late) + " s after it was sent";
      return comparison;
    }
    comparison.found.push_back(&sent[next]);
    ++next;
  }
  return comparison;
}

std::vector<const SentFrame*> not_stored(const std::vector<SentFrame>& sent, const Comparison& comparison,
                                         double from_unix_s, double to_unix_s) {
  const std::set<const SentFrame*> found(comparison.found.begin(), comparison.found.end());
  std::vector<const SentFrame*> missing;
  for (const SentFrame& frame : sent)
    if (frame.readable() && frame.unix_s >= from_unix_s && frame.unix_s < to_unix_s && !found.contains(&frame))
      missing.push_back(&frame);
  return missing;
}

}  // namespace nightwatt::process
