#include "text/decoder.hpp"

#include <utility>

#include "fault_text.hpp"

namespace nightwatt::drivers::text {

namespace {

/// A pause within a line after which the two parts are not one: a board that was reset takes longer to speak again, a
/// line at 300 baud has characters 33 ms apart.
constexpr Duration longest_pause{1'000'000};

/// Of a meter that reports on change: what comes after such a silence begins a line, and it was not the loop that was
/// held up. Lost, its value would be missing until the next change. Another meter is in the middle of a line so often
/// that a cable put in after the opening would make half numbers.
constexpr Duration long_silence{10'000'000};

/// Lines that may come before a good one shows whether the first was whole: the longest banner worth waiting for.
constexpr int lines_to_wait = 64;

void report_too_long(const LineSplitter::Line& line, Output& out) {
  out.faults.push_back(make_fault(FaultKind::malformed, line.at_byte,
                                  "a line of more than " + std::to_string(line_limit) + " characters"));
}

}  // namespace

void LiveDecoder::feed(std::span<const std::byte> bytes, Duration now, Output& out) {
  if (bytes.empty()) return;
  if (on_change_ && opened_at_ && now - *opened_at_ >= long_silence) first_ = false;
  opened_at_.reset();
  if (lines_.inside_line() && now - last_byte_ > longest_pause) {
    if (!first_)
      out.faults.push_back(make_fault(FaultKind::malformed, lines_.line_begin(), "a line broken off by a pause"));
    lines_.forget_line();
    first_ = true;
  }
  last_byte_ = now;
  lines_.feed(bytes, [&](const LineSplitter::Line& line) {
    const bool first = std::exchange(first_, false);
    if (line.too_long) {
      report_too_long(line, out);
    } else if (!first || reader_.is_whole(line.text)) {
      reader_.read(line.text, line.at_byte, out);
    }
  });
}

void LiveDecoder::reset(Duration now) {
  lines_.forget_line();
  reader_.forget();
  first_ = true;
  opened_at_ = now;
}

void CaptureLines::feed(std::span<const std::byte> bytes, Output& out) {
  lines_.feed(bytes, [&](const LineSplitter::Line& line) { on_line(line, out); });
}

void CaptureLines::finish(Output& out) {
  lines_.finish([&](const LineSplitter::Line& line) { on_line_without_end(line, out); });
  settle_first({}, out);
}

/// What would be a reading may be one with its last digits cut off, unless its form proves it whole.
void CaptureLines::on_line_without_end(const LineSplitter::Line& line, Output& out) {
  if (reader_.is_whole(line.text)) return on_line(line, out);
  Output last;
  reader_.read(line.text, line.at_byte, last);
  if (!last.readings.empty())
    last.faults.push_back(make_fault(FaultKind::malformed, line.at_byte,
                                     "the last line has no end and may be cut: " + quoted(line.text)));
  out.faults.insert(out.faults.end(), last.faults.begin(), last.faults.end());
}

void CaptureLines::on_line(const LineSplitter::Line& line, Output& out) {
  const bool first = std::exchange(first_, false);
  if (line.too_long) {
    report_too_long(line, out);
    return;
  }
  std::string_view text = line.text;
  std::uint64_t at_byte = line.at_byte;
  constexpr std::string_view byte_order_mark = "\xEF\xBB\xBF";
  if (first && text.starts_with(byte_order_mark)) {
    text.remove_prefix(byte_order_mark.size());
    at_byte += byte_order_mark.size();
  }
  if (first && !reader_.is_whole(text)) {
    held_ = text;
    held_at_ = at_byte;
    return;
  }
  if (!held_) {
    reader_.read(text, at_byte, out);
    return;
  }
  Output now;
  reader_.read(text, at_byte, now);
  if (!now.readings.empty() || ++since_held_ > lines_to_wait) settle_first(text, out);
  out.readings.insert(out.readings.end(), now.readings.begin(), now.readings.end());
  out.faults.insert(out.faults.end(), now.faults.begin(), now.faults.end());
}

void CaptureLines::settle_first(std::string_view whole, Output& out) {
  const std::optional<std::string> line = std::exchange(held_, std::nullopt);
  if (!line || reader_.may_be_half(*line, whole)) return;
  Output first;
  reader_.read(*line, held_at_, first);
  if (first.faults.empty()) out.readings.insert(out.readings.end(), first.readings.begin(), first.readings.end());
}

}  // namespace nightwatt::drivers::text
