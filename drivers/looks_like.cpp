#include "looks_like.hpp"

#include <algorithm>
#include <array>
#include <string>
#include <vector>

#include "modbus/frame.hpp"
#include "modbus/tcp_frame.hpp"

namespace nightwatt::drivers {

namespace {

/// Good frames, or lines of a kind, that are no accident.
constexpr int enough = 2;
/// A check of 16 bits is right by accident once in 65536 places; this many frames are not.
constexpr int enough_frames = 3;
/// So many of the longest are that, and what they were cut from. A check for each byte of more would hold up the loop.
constexpr std::size_t frames_within = (enough_frames + 1) * modbus::longest_frame;

bool contains(std::span<const std::byte> bytes, std::span<const std::byte> part) {
  return std::search(bytes.begin(), bytes.end(), part.begin(), part.end()) != bytes.end();
}

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}
bool is_text(char c) {
  return (c >= ' ' && c <= '~') || c == '\t';
}

/// Lines, with the eighth bit taken off: a line of seven bits and parity read as eight is still read.
std::vector<std::string> lines_of(std::span<const std::byte> bytes) {
  std::vector<std::string> lines(1);
  for (const std::byte byte : bytes) {
    const char c = static_cast<char>(std::to_integer<unsigned>(byte) & 0x7FU);
    if (c == '\r' || c == '\n') {
      if (!lines.back().empty()) lines.emplace_back();
    } else {
      lines.back() += c;
    }
  }
  return lines;
}

/// `1-0:1.8.0(000123.4*kWh)` or `1.8.0(...)`.
bool has_obis(std::string_view line, bool full) {
  const std::size_t bracket = line.find('(');
  if (bracket == std::string_view::npos || bracket == 0) return false;
  const std::string_view name = line.substr(0, bracket);
  const bool has_medium = name.find('-') != std::string_view::npos && name.find(':') != std::string_view::npos;
  const auto dots = std::count(name.begin(), name.end(), '.');
  return dots >= 1 && has_medium == full && is_digit(name.back()) &&
         std::all_of(name.begin(), name.end(), [](char c) { return (is_text(c) && c != ' ') || c == '\x02'; });
}

/// A telegram's end with its check, its version, or the meter's number as only P1 has them.
bool is_of_p1(std::string_view line) {
  const auto is_hex = [](char c) { return is_digit(c) || (c >= 'A' && c <= 'F'); };
  const bool ends = line.size() == 5 && line[0] == '!' && std::all_of(line.begin() + 1, line.end(), is_hex);
  return ends || line.starts_with("1-3:0.2.8(") || line.starts_with("0-0:96.1.");
}

bool begins_block(std::string_view line) {
  constexpr char stx = 0x02;
  return line.find(stx) != std::string_view::npos;
}

bool is_numbers(std::string_view line) {
  const auto digits = std::count_if(line.begin(), line.end(), is_digit);
  return digits > 0 && line.find_first_not_of("0123456789+-.,; \teE") == std::string_view::npos;
}

bool has_pairs(std::string_view line) {
  for (std::size_t i = 1; i + 1 < line.size(); ++i)
    if ((line[i] == '=' || line[i] == ':') && (is_digit(line[i + 1]) || line[i + 1] == ' ' || line[i + 1] == '-') &&
        !is_digit(line[i - 1]))
      return true;
  return false;
}

int good_serial_frames(std::span<const std::byte> bytes) {
  int frames = 0;
  for (std::size_t at = 0; at < bytes.size();) {
    const auto found = modbus::frame_at(bytes.subspan(at), true);
    if (found.frame) ++frames;
    at += found.frame ? found.frame->length : 1;
  }
  return frames;
}

int frames_in_a_row(std::span<const std::byte> bytes) {
  int most = 0;
  int running = 0;
  for (std::size_t at = 0; at < bytes.size();) {
    const auto found = modbus::tcp_frame_at(bytes.subspan(at));
    running = found.frame ? running + 1 : 0;
    most = std::max(most, running);
    at += found.frame ? found.frame->length : 1;
  }
  return most;
}

std::string_view text_kind(const std::vector<std::string>& lines) {
  const auto count = [&](auto&& is_kind) { return std::count_if(lines.begin(), lines.end(), is_kind); };
  if (count([](const std::string& line) { return has_obis(line, true); }) >= enough) {
    if (count(is_of_p1) > 0) return "P1 telegrams (dsmr-p1)";
    if (count(begins_block) > 0) return "a read-out of IEC 62056-21 (iec62056-21)";
    return "P1 telegrams, or a read-out with full OBIS codes (dsmr-p1, iec62056-21)";
  }
  if (count([](const std::string& line) { return has_obis(line, false); }) >= enough)
    return count(begins_block) > 0 ? "a read-out of IEC 62056-21 (iec62056-21)"
                                   : "a read-out of IEC 62056-21 (iec62056-21, or with mode = \"d\")";
  if (count([](const std::string& line) { return line.front() == '$' && line.find('*') != std::string::npos; }) >=
      enough)
    return "lines with an NMEA 0183 check (text-line with checksum = \"xor\")";
  if (count([](const std::string& line) { return line.front() == '{'; }) >= enough)
    return "JSON lines (text-line with form = \"json\")";
  if (count(is_numbers) >= enough)
    return "lines of numbers (text-line with form = \"csv\", or answers of an instrument)";
  if (count(has_pairs) >= enough) return "lines of named values (text-line with form = \"key-value\")";
  return "lines of text without a value that is known";
}

}  // namespace

std::string_view looks_like(std::span<const std::byte> bytes) {
  constexpr std::byte escape{0x1B};
  constexpr std::byte one{0x01};
  constexpr std::array sml_start = {escape, escape, escape, escape, one, one, one, one};
  if (contains(bytes, sml_start)) return "SML messages (sml)";
  if (good_serial_frames(bytes.first(std::min(bytes.size(), frames_within))) >= enough_frames)
    return "Modbus RTU frames (modbus-rtu, sunspec)";
  if (frames_in_a_row(bytes) >= enough_frames) return "Modbus TCP frames (modbus-tcp, sunspec)";
  std::vector<std::string> lines = lines_of(bytes);
  std::erase_if(lines, [](const std::string& line) { return line.empty(); });
  std::size_t text = 0;
  std::size_t all = 0;
  for (const std::string& line : lines) {
    all += line.size();
    // STX and ETX stand around a read-out's data.
    text += static_cast<std::size_t>(
        std::count_if(line.begin(), line.end(), [](char c) { return is_text(c) || c == '\x02' || c == '\x03'; }));
  }
  // A wrong speed gives half at best.
  if (all > 0 && text * 20 >= all * 19) return text_kind(lines);
  return "nothing that is known: a wrong baud rate or parity looks like this";
}

}  // namespace nightwatt::drivers
