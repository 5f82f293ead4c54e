// SML transport protocol, version 1: finds files between start and end, takes escapes and padding off, checks the CRC.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

namespace nightwatt::drivers::sml {

/// Longest file taken, escapes counted. A meter's has 200 to 700 bytes, with a signature and a public key some more.
inline constexpr std::size_t file_limit = 8192;

/// What was found in the bytes.
struct Piece {
  enum class Kind : std::uint8_t {
    file,      ///< whole and with a good check; `payload` is its messages
    checksum,  ///< whole, its check wrong
    broken,    ///< another began, the bytes ended, or an escape that there is not, within it
    too_long,  ///< longer than file_limit
    noise,     ///< `size` bytes between files that are in none
  };
  Kind kind = Kind::file;
  std::uint64_t at_byte = 0;                ///< its first byte, of all ever fed
  std::size_t size = 0;                     ///< with all that frames it
  std::span<const std::byte> payload = {};  ///< file: valid until the next call
};

/// One file from its start on, byte by byte.
class OpenFile {
 public:
  enum class State : std::uint8_t {
    open,
    good,      ///< whole, its check right
    checksum,  ///< whole, its check wrong
    broken,    ///< an escape or a padding that there is not
    too_long,
  };
  OpenFile() = default;
  explicit OpenFile(std::uint64_t at_byte);
  State take(std::byte byte);
  [[nodiscard]] State state() const { return state_; }
  [[nodiscard]] std::uint64_t at_byte() const { return at_byte_; }
  [[nodiscard]] std::size_t size() const { return raw_.size(); }
  [[nodiscard]] std::span<const std::byte> payload() const { return payload_; }

 private:
  State take_word();
  State check();

  std::vector<std::byte> raw_;
  std::vector<std::byte> payload_;  // without escapes, and when it is good without padding
  std::uint64_t at_byte_ = 0;
  State state_ = State::open;
  bool escaped_ = false;  // the word before was an escape
};

/// The same pieces whatever chunks the bytes come in. Before the first file nothing is noise: whoever listens begins in
/// the middle of one.
class Transport {
 public:
  template <class OnPiece>
  void feed(std::span<const std::byte> bytes, OnPiece&& on_piece) {
    for (const std::byte byte : bytes) {
      take(byte);
      for (std::size_t i = 0; i < found_; ++i) on_piece(pieces_[i]);
    }
  }
  /// The bytes end: a file that has begun is broken.
  template <class OnPiece>
  void finish(OnPiece&& on_piece) {
    found_ = 0;
    end();
    for (std::size_t i = 0; i < found_; ++i) on_piece(pieces_[i]);
  }
  /// Forgets what has begun.
  void forget();

 private:
  void take(std::byte byte);
  void take_inside(std::byte byte);
  void start_file(std::uint64_t at);
  void end();
  void end_noise(std::uint64_t at);
  void tell(Piece::Kind kind, std::uint64_t at, std::uint64_t until, std::span<const std::byte> payload = {});
  void go_on_outside();

  // Where bytes of a file were lost, another begins within it, and its messages may hold what looks like a start: all
  // are followed, oldest first, and whichever proves good first is one.
  std::vector<OpenFile> open_;
  OpenFile good_;                 // the last one, whose payload is told
  std::uint64_t last_eight_ = 0;  // bytes
  std::uint64_t fed_ = 0;
  std::uint64_t noise_at_ = 0;
  std::size_t noise_ = 0;  // bytes since the last file that are not 0
  bool heard_ = false;     // a file has begun before
  std::array<Piece, 2> pieces_;
  std::size_t found_ = 0;
};

}  // namespace nightwatt::drivers::sml
