#include "pushing_meter.hpp"

#include <algorithm>

#include "field_text.hpp"

namespace nightwatt::sim {

PushingMeter::PushingMeter(const MeterProfile& profile, Script script, std::uint64_t seed)
    : profile_(profile),
      interval_s_(static_cast<double>(profile.interval.count()) * 1e-6),
      model_(std::move(script), seed),
      faults_(model_.script(), seed) {}

std::vector<std::byte> PushingMeter::on_line(std::string_view text) const {
  return to_bytes(text);
}

std::optional<double> PushingMeter::next_s() const {
  const auto noise = faults_.next_noise_s();
  return noise ? std::min(*noise, frame_time_s()) : frame_time_s();
}

void PushingMeter::advance(double at_s, std::vector<Chunk>& out) {
  while (frame_time_s() <= at_s) {
    const double due_s = frame_time_s();
    for (auto& burst : faults_.noise_until(due_s)) out.push_back({std::move(burst), std::nullopt});
    speak(due_s, out);
    ++next_;
  }
  for (auto& burst : faults_.noise_until(at_s)) out.push_back({std::move(burst), std::nullopt});
}

void PushingMeter::speak(double at_s, std::vector<Chunk>& out) {
  Sent sent{at_s, Fate::good, {}};
  std::string text = frame(at_s, next_, Fate::good, sent.values);
  if (profile_.on_change && said_ == sent.values) return;
  said_ = sent.values;
  sent.fate = faults_.next_frame(at_s).fate;
  if (sent.fate != Fate::good) {
    sent.values.clear();
    text = frame(at_s, next_, sent.fate, sent.values);
  }
  if (sent.fate == Fate::silent) text.clear();
  if (sent.fate == Fate::cut) text.resize(text.size() / 2);
  if (sent.fate == Fate::twice) text += text;
  out.push_back({on_line(text), std::move(sent)});
}

void PushingMeter::plugged(double at_s, std::vector<Chunk>&) {
  // What it would have said while unplugged, nobody heard.
  while (frame_time_s() < at_s) ++next_;
  (void)faults_.noise_until(at_s);
  said_.reset();
}

}  // namespace nightwatt::sim
