#include "p1/decoder.hpp"

#include <algorithm>

#include "fault_text.hpp"

namespace nightwatt::drivers::p1 {

namespace {

/// `1-3:0.2.8(50)`, DSMR from version 4 on; `0-0:96.1.4(50217)`, the Belgian ones. Both have a check.
bool says_version(const ReadOut& read_out) {
  return std::any_of(read_out.registers.begin(), read_out.registers.end(), [](const obis::Register& had) {
    const obis::Code& code = had.code;
    return (code.a == 1 && code.b == 3 && code.c == 0 && code.d == 2 && code.e == 8) ||
           (code.a == 0 && code.b == 0 && code.c == 96 && code.d == 1 && code.e == 4);
  });
}

/// Three letters of the maker and the digit of the speed (IEC 62056-21, 6.3.2).
bool is_ident(std::string_view ident) {
  const auto is_letter = [](char c) { return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z'); };
  return ident.size() >= 4 && std::all_of(ident.begin(), ident.begin() + 3, is_letter) && ident[3] >= '0' &&
         ident[3] <= '9';
}

}  // namespace

void TelegramReader::feed(std::span<const std::byte> bytes, Output& out) {
  framer_.feed(bytes, out.faults, [&](const Telegram& telegram) { read(telegram, out); });
}

void TelegramReader::finish(Output& out) {
  framer_.finish(out.faults, [&](const Telegram& telegram) { read(telegram, out); });
}

void TelegramReader::forget() {
  framer_.forget();
  layout_.forget();
  has_checks_ = false;
}

void TelegramReader::read(const Telegram& telegram, Output& out) {
  has_checks_ = has_checks_ || telegram.checked;
  std::vector<Fault> of_values;
  const ReadOut read_out = take_apart(telegram.body, plan_, telegram.at_byte, of_values);
  if (!telegram.checked && !counts_unchecked(telegram, read_out, out)) return;
  if (telegram.parity_taken && !parity_told_) {
    parity_told_ = true;
    out.notes.emplace_back("the line gives each byte's parity as its eighth bit: it is checked and taken off here");
  }
  const Values values = plan_.take(read_out.registers, telegram.at_byte, of_values);
  out.faults.insert(out.faults.end(), of_values.begin(), of_values.end());
  if (!values.empty()) out.readings.push_back(Measurement{values, telegram.at_byte, std::nullopt});
}

bool TelegramReader::counts_unchecked(const Telegram& telegram, const ReadOut& read_out, Output& out) {
  const auto refuse = [&](FaultKind kind, std::string what) {
    out.faults.push_back(make_fault(kind, telegram.at_byte, std::move(what)));
    return false;
  };
  if (has_checks_ || says_version(read_out)) return refuse(FaultKind::checksum, "a telegram that lost its check");
  if (!is_ident(telegram.ident))
    return refuse(FaultKind::malformed, "a telegram that begins with " + quoted(telegram.ident));
  if (!read_out.sound)
    return refuse(FaultKind::malformed, "a telegram with a line that is no data: " + quoted(read_out.first_bad));
  if (!layout_.accepts(read_out.layout))
    return refuse(FaultKind::malformed, "a telegram without a check has other lines or digits than the one before");
  return true;
}

}  // namespace nightwatt::drivers::p1
