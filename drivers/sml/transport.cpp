#include "sml/transport.hpp"

#include <algorithm>

#include "crc16.hpp"

namespace nightwatt::drivers::sml {

namespace {

constexpr std::size_t word_size = 4;  // escapes stand at multiples of it, counted from the start
constexpr std::size_t start_size = 8;
constexpr std::uint64_t start_sequence = 0x1B1B1B1B01010101;
constexpr std::byte escape{0x1B};
constexpr std::byte start_byte{0x01};  // four of them: version 1
constexpr std::byte end_byte{0x1A};
constexpr std::size_t check_size = 2;
/// Noise is told in pieces, so that it is told at all where it never ends.
constexpr std::size_t noise_told = 4096;
/// Files followed at once: one that lost its end, the one behind it, and two false starts in the messages of that.
constexpr std::size_t most_open = 4;

}  // namespace

OpenFile::OpenFile(std::uint64_t at_byte) : raw_(word_size, escape), at_byte_(at_byte) {
  for (std::size_t i = 0; i < word_size; ++i)
    raw_.push_back(start_byte);  // gcc 12 misreads insert(end, n, byte) at -O3
}

OpenFile::State OpenFile::take(std::byte byte) {
  raw_.push_back(byte);
  if (raw_.size() > file_limit)
    state_ = State::too_long;
  else if (raw_.size() % word_size == 0)
    state_ = take_word();
  return state_;
}

OpenFile::State OpenFile::take_word() {
  const auto word = std::span(raw_).last(word_size);
  const auto all = [&](std::byte same) {
    return std::all_of(word.begin(), word.end(), [&](std::byte byte) { return byte == same; });
  };
  const bool is_escape = all(escape);
  if (!escaped_ && is_escape) {
    escaped_ = true;
    return State::open;
  }
  if (!escaped_ || is_escape) {  // two escapes are one of the messages' own
    escaped_ = false;
    payload_.insert(payload_.end(), word.begin(), word.end());
    return State::open;
  }
  return word[0] == end_byte ? check() : State::broken;
}

OpenFile::State OpenFile::check() {
  const std::span<const std::byte> checked = std::span(raw_).first(raw_.size() - check_size);
  const auto last = std::span(raw_).last(check_size + 1);
  const auto padding = std::to_integer<std::size_t>(last[0]);
  const auto told = std::to_integer<std::uint32_t>(last[1]) | std::to_integer<std::uint32_t>(last[2]) << 8U;
  if (told != crc16_x25(checked) && told != crc16_kermit(checked)) return State::checksum;
  if (padding >= word_size || padding > payload_.size()) return State::broken;
  payload_.erase(payload_.end() - static_cast<std::ptrdiff_t>(padding), payload_.end());
  return State::good;
}

void Transport::forget() {
  open_.clear();
  heard_ = false;
  last_eight_ = 0;
  noise_ = 0;
  noise_at_ = fed_;
}

void Transport::take(std::byte byte) {
  found_ = 0;
  ++fed_;
  last_eight_ = (last_eight_ << 8U) | std::to_integer<std::uint64_t>(byte);
  if (!open_.empty()) return take_inside(byte);
  if (last_eight_ == start_sequence) return start_file(fed_ - start_size);
  if (byte != std::byte{0}) ++noise_;
  if (noise_ >= noise_told) end_noise(fed_);
}

void Transport::take_inside(std::byte byte) {
  using State = OpenFile::State;
  const std::uint64_t first_at = open_.front().at_byte();
  for (OpenFile& file : open_) {
    if (file.take(byte) != State::good) continue;
    good_ = std::move(file);
    if (good_.at_byte() != first_at) tell(Piece::Kind::broken, first_at, good_.at_byte());
    tell(Piece::Kind::file, good_.at_byte(), fed_, good_.payload());
    return go_on_outside();
  }
  State first = open_.front().state();
  std::erase_if(open_, [](const OpenFile& file) { return file.state() != State::open; });
  // Bytes were lost, or the messages hold such a sequence.
  if (last_eight_ == start_sequence) open_.emplace_back(fed_ - start_size);
  if (open_.size() > most_open) {
    open_.erase(open_.begin());
    first = State::broken;
  }
  if (first == State::open) return;
  tell(first == State::checksum   ? Piece::Kind::checksum
       : first == State::too_long ? Piece::Kind::too_long
                                  : Piece::Kind::broken,
       first_at, open_.empty() ? fed_ : open_.front().at_byte());
  if (open_.empty()) go_on_outside();
}

void Transport::start_file(std::uint64_t at) {
  constexpr std::size_t own_bytes = start_size - 1;  // of the start sequence, counted as noise before it was known
  noise_ -= std::min(noise_, own_bytes);
  end_noise(at);
  heard_ = true;
  open_.emplace_back(at);
}

void Transport::go_on_outside() {
  open_.clear();
  noise_ = 0;
  noise_at_ = fed_;
}

void Transport::end() {
  if (open_.empty())
    end_noise(fed_);
  else
    tell(Piece::Kind::broken, open_.front().at_byte(), fed_);
  go_on_outside();
}

void Transport::end_noise(std::uint64_t at) {
  if (noise_ > 0 && heard_) tell(Piece::Kind::noise, noise_at_, at);
  noise_ = 0;
  noise_at_ = at;
}

void Transport::tell(Piece::Kind kind, std::uint64_t at, std::uint64_t until, std::span<const std::byte> payload) {
  pieces_[found_++] = Piece{kind, at, static_cast<std::size_t>(until - at), payload};
}

}  // namespace nightwatt::drivers::sml
