#include "p1_meter.hpp"

#include <algorithm>
#include <cstdio>

#include "field_text.hpp"
#include "register_lines.hpp"

namespace nightwatt::sim {
namespace {

/// DSMR P1 5.0.2, 6.2: x16 + x15 + x2 + 1, least significant bit first, start 0; bit by bit, as it is written there.
unsigned check_of(std::string_view text) {
  unsigned crc = 0;
  for (const char c : text) {
    crc ^= static_cast<unsigned char>(c);
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U;
  }
  return crc;
}

}  // namespace

P1Meter::P1Meter(const MeterProfile& profile, Script script, std::uint64_t seed)
    : profile_(profile),
      interval_s_(static_cast<double>(profile.interval.count()) * 1e-6),
      model_(std::move(script), seed),
      faults_(model_.script(), seed) {}

std::optional<double> P1Meter::next_s() const {
  const auto noise = faults_.next_noise_s();
  return noise ? std::min(*noise, telegram_time_s()) : telegram_time_s();
}

void P1Meter::advance(double at_s, std::vector<Chunk>& out) {
  while (telegram_time_s() <= at_s) {
    const double due_s = telegram_time_s();
    for (auto& burst : faults_.noise_until(due_s)) out.push_back({std::move(burst), std::nullopt});
    out.push_back(telegram(due_s));
    ++next_;
  }
  for (auto& burst : faults_.noise_until(at_s)) out.push_back({std::move(burst), std::nullopt});
}

void P1Meter::plugged(double at_s, std::vector<Chunk>&) {
  while (telegram_time_s() < at_s) ++next_;
  (void)faults_.noise_until(at_s);
}

Chunk P1Meter::telegram(double at_s) {
  const bool old_version = profile_.line.data_bits == 7;
  const Faults::Verdict verdict = faults_.next_frame(at_s);
  Sent sent{at_s, verdict.fate, {}};
  std::string text = old_version ? "/SKP3SKERRY-POINT\r\n\r\n" : "/SKP5\\SKERRY-POINT\r\n\r\n1-3:0.2.8(50)\r\n";
  text += "0-0:96.1.1(534B455252592D31)\r\n";
  text += register_lines(profile_, model_, at_s, {}, sent.values);
  text += old_version ? "0-1:24.3.0(260105210000)(00)(60)(1)(0-1:24.2.1)(m3)\r\n(00123.456)\r\n"
                      : "0-0:96.13.0()\r\n0-1:24.1.0(003)\r\n0-1:24.2.1(260105210000W)(00123.456*m3)\r\n";
  text += "!";
  if (!old_version) {
    char check[16];
    std::snprintf(check, sizeof check, "%04X", check_of(text) ^ (verdict.fate == Fate::checksum ? 0x40U : 0U));
    text += check;
  }
  text += "\r\n";
  if (verdict.fate == Fate::silent) text.clear();
  if (verdict.fate == Fate::cut) text.resize(text.size() / 2);
  if (verdict.fate == Fate::twice) text += text;
  return {old_version ? with_even_parity(text) : to_bytes(text), std::move(sent)};
}

}  // namespace nightwatt::sim
