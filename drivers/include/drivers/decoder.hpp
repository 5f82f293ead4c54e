// The one interface of all protocols: bytes in, readings out, bytes to send. No port, no clock, no log.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "measure/signal/reading.hpp"
#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::drivers {

/// One reading of a meter. Its instant is that of the bytes that completed it, unless `at` says an earlier one.
struct Measurement {
  Values values;
  std::uint64_t at_byte = 0;  ///< offset, in all bytes ever fed, of the frame's first byte
  /// Of several answers: when the one with the power was complete.
  std::optional<Duration> at = std::nullopt;
  friend bool operator==(const Measurement&, const Measurement&) = default;
};

enum class FaultKind : std::uint8_t {
  checksum,   ///< frame complete, its check value wrong
  malformed,  ///< not a frame of the protocol: noise, cut, over-long, a field that is no number
  exception,  ///< the meter refused, in the protocol's own way
  mismatch,   ///< a good frame that does not answer what was asked: other unit, late, doubled, wrong length
  timeout,    ///< no answer in time, after the retries
  range,      ///< a number outside what a Decimal holds
};
[[nodiscard]] std::string_view fault_kind_name(FaultKind kind);

/// Something that was not a reading. Skipped banner lines, comments, the
/// echo of our own request and the meter's own "no value" are not faults.
struct Fault {
  FaultKind kind = FaultKind::malformed;
  std::uint64_t at_byte = 0;
  std::string message;  ///< one line, bounded to 200 characters, printable
};

/// Whether a fault says that the profile does not fit what the port says at all, and what that looks like.
[[nodiscard]] bool tells_misfit(const Fault& fault);

/// What a call on a decoder produced; the caller owns and empties it.
struct Output {
  std::vector<Measurement> readings;
  std::vector<Fault> faults;
  std::vector<std::byte> send;  ///< to be written to the port, in order
  /// How to set up the port anew, once what is to be sent has left the wire: for a meter that changes its speed.
  std::optional<LineSettings> line = std::nullopt;
  std::vector<std::string> notes;  ///< what is worth one line, said once, and no fault
};

/// A protocol's state machine. A value with bounded memory, used by one thread. Elapsed time is an argument that never
/// goes back. The same bytes give the same readings in whatever chunks they come. After garbage the next good frame is
/// found.
class Decoder {
 public:
  virtual ~Decoder() = default;

  /// Takes bytes that arrived at `now`.
  virtual void feed(std::span<const std::byte> bytes, Duration now, Output& out) = 0;

  /// Lets time pass: due requests, time-outs. Harmless to call at any time.
  virtual void tick(Duration now, Output& out) = 0;

  /// When tick() next has something to do; nullopt for a meter that speaks by itself.
  [[nodiscard]] virtual std::optional<Duration> next_tick() const = 0;

  /// The port was opened, for the first time or again: forget half a frame and outstanding requests. What comes at
  /// first may be an answer to somebody else.
  virtual void reset(Duration now) = 0;
};

/// A decoder that talks to a live meter. Error kind input where the profile asks for what the protocol cannot do.
[[nodiscard]] Result<std::unique_ptr<Decoder>> make_decoder(const MeterProfile& profile);

/// A decoder for a captured stream (`nightwatt decode`): never sends, needs no requests, takes answers as they come;
/// call finish() at the end of the capture so that a cut last frame is a fault. Requests in the capture are skipped.
class CaptureDecoder {
 public:
  virtual ~CaptureDecoder() = default;
  virtual void feed(std::span<const std::byte> bytes, Output& out) = 0;
  virtual void finish(Output& out) = 0;
};
[[nodiscard]] Result<std::unique_ptr<CaptureDecoder>> make_capture_decoder(const MeterProfile& profile);

}  // namespace nightwatt::drivers
