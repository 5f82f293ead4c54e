// golden FOLDER [--bless]: every FOLDER/*.stream through the capture decoder of its profile, whole, a byte at a time
// and in random pieces, against its .expected; with --bless the .expected is written anew.
//
// A .stream begins with comment lines `# ...`: origin, licence, what is in it, and a line `profile: FILE` (beside it).
// Then `hex: 11 03 ..` and `text: ...` lines are the bytes; in text \r \n \t \\ and \xHH are read.

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <map>
#include <random>
#include <sstream>

#include "config/config.hpp"
#include "drivers/decoder.hpp"
#include "drivers/protocols.hpp"

namespace nightwatt {

namespace {

namespace fs = std::filesystem;

struct Stream {
  std::string profile;
  std::vector<std::byte> bytes;
};

void add_hex(std::string_view text, std::vector<std::byte>& bytes) {
  std::istringstream words{std::string(text)};
  for (std::string word; words >> word;) bytes.push_back(static_cast<std::byte>(std::stoi(word, nullptr, 16)));
}

void add_text(std::string_view text, std::vector<std::byte>& bytes) {
  for (std::size_t i = 0; i < text.size(); ++i) {
    char c = text[i];
    if (c == '\\' && i + 1 < text.size()) {
      const char escape = text[++i];
      c = escape == 'n' ? '\n' : escape == 'r' ? '\r' : escape == 't' ? '\t' : escape;
      if (escape == 'x') {
        bytes.push_back(static_cast<std::byte>(std::stoi(std::string(text.substr(i + 1, 2)), nullptr, 16)));
        i += 2;
        continue;
      }
    }
    bytes.push_back(static_cast<std::byte>(c));
  }
}

Stream read_stream(const fs::path& path) {
  Stream stream;
  std::ifstream file(path);
  for (std::string line; std::getline(file, line);) {
    const std::string_view text(line);
    if (text.starts_with("profile: ")) stream.profile = text.substr(9);
    if (text.starts_with("hex: ")) add_hex(text.substr(5), stream.bytes);
    if (text.starts_with("text: ")) add_text(text.substr(6), stream.bytes);
  }
  return stream;
}

/// Readings and faults in the order of their offsets.
std::string described(const drivers::Output& out) {
  std::multimap<std::uint64_t, std::string> lines;
  for (const drivers::Measurement& reading : out.readings) {
    std::string line = "reading";
    for (const Quantity quantity : all_quantities)
      if (const auto value = reading.values.get(quantity))
        line += " " + std::string(quantity_column(quantity)) + "=" + value->text();
    lines.emplace(reading.at_byte, line);
  }
  for (const drivers::Fault& fault : out.faults)
    lines.emplace(fault.at_byte, "fault " + std::string(drivers::fault_kind_name(fault.kind)) + ": " + fault.message);
  std::string text;
  for (const auto& [at_byte, line] : lines) text += std::to_string(at_byte) + " " + line + "\n";
  text += std::to_string(out.readings.size()) + " readings, " + std::to_string(out.faults.size()) + " faults\n";
  return text;
}

/// `longest` 0: all at once.
std::string decode(const MeterProfile& profile, std::span<const std::byte> bytes, std::size_t longest,
                   std::mt19937& random) {
  drivers::Output out;
  auto decoder = drivers::make_capture_decoder(profile).value();
  while (!bytes.empty()) {
    const std::size_t wanted = longest == 0 ? bytes.size() : 1 + random() % longest;
    const std::size_t piece = std::min(wanted, bytes.size());
    decoder->feed(bytes.first(piece), out);
    bytes = bytes.subspan(piece);
  }
  decoder->finish(out);
  return described(out);
}

std::string read_text(const fs::path& path) {
  std::ifstream file(path);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

bool check(const fs::path& path, bool bless) {
  const Stream stream = read_stream(path);
  const Result<MeterProfile> profile =
      config::load_profile(stream.profile, path.parent_path().string(), drivers::protocol_readers());
  if (!profile) {
    std::cerr << path.string() << ": " << profile.error().message << '\n';
    return false;
  }
  constexpr unsigned seed = 20260105;
  std::mt19937 random(seed);
  const std::string whole = decode(*profile, stream.bytes, 0, random);
  const fs::path expected = fs::path(path).replace_extension(".expected");
  if (bless) std::ofstream(expected) << whole;
  if (read_text(expected) != whole) {
    std::cerr << path.string() << ": not as expected. Now:\n" << whole << "expected:\n" << read_text(expected);
    return false;
  }
  for (const std::size_t longest : {std::size_t{1}, std::size_t{5}, std::size_t{64}}) {
    if (decode(*profile, stream.bytes, longest, random) == whole) continue;
    std::cerr << path.string() << ": another result in pieces of up to " << longest << " bytes, seed " << seed << '\n';
    return false;
  }
  return true;
}

int run(const fs::path& folder, bool bless) {
  int streams = 0;
  int wrong = 0;
  for (const fs::directory_entry& entry : fs::directory_iterator(folder)) {
    if (entry.path().extension() != ".stream") continue;
    ++streams;
    if (!check(entry.path(), bless)) ++wrong;
  }
  std::cout << streams << " streams, " << wrong << " wrong\n";
  return streams > 0 && wrong == 0 ? 0 : 1;
}

}  // namespace

}  // namespace nightwatt

int main(int argc, char** argv) {
  if (argc < 2) {
    std::cerr << "usage: golden FOLDER [--bless]\n";
    return 2;
  }
  return nightwatt::run(argv[1], argc > 2 && std::string_view(argv[2]) == "--bless");
}
