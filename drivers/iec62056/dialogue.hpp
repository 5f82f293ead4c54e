// The live side of iec62056-21 in the modes a, b and c: the meter is asked for its read-out.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/decoder.hpp"
#include "drivers/iec62056/settings.hpp"
#include "iec62056/echo.hpp"
#include "iec62056/reader.hpp"

namespace nightwatt::drivers::iec62056 {

/// One read-out a slot, as IEC 62056-21, 6.2 and annex A have it: request, identification, in mode c the
/// acknowledgement with the speed, the data block; then back to the first speed. A damaged block is asked for once
/// more (NAK). A head or cable that fails at a speed is spared it: the next read-out goes one step slower.
class Dialogue final : public Decoder {
 public:
  Dialogue(obis::RegisterPlan plan, obis::RegisterPlan power, const Iec62056Settings& settings,
           const LineSettings& line, Duration interval);

  void feed(std::span<const std::byte> bytes, Duration now, Output& out) override;
  void tick(Duration now, Output& out) override;
  [[nodiscard]] std::optional<Duration> next_tick() const override { return deadline_; }
  void reset(Duration now) override;

 private:
  enum class Phase : std::uint8_t {
    listening,  ///< after the opening: a read-out of before may still be coming
    idle,       ///< until the next slot
    waking,     ///< NULs for a battery meter, and the pause behind them
    ident,      ///< the request is out
    switching,  ///< the acknowledgement is on its way; then the speed changes
    data,
  };

  void begin(Duration now, Output& out);
  void request(Duration now, Output& out);
  void send(std::string_view text, Duration now, Output& out);
  void on_byte(std::byte byte, Duration now, Output& out);
  void on_frame(const Frame& frame, Duration now, Output& out);
  void on_ident(std::string_view ident, Duration now, Output& out);
  void on_damage(const Fault& fault, Duration now, Output& out);
  void await_data(Duration now);
  void repeat(Duration now, Output& out);
  void fail_round(FaultKind kind, std::string what, Duration now, Output& out);
  void end(Duration now, Output& out);
  void go_slower(Output& out);
  void note_instant(Duration now);

  BlockReader reader_;
  obis::RegisterPlan power_;
  Iec62056Settings settings_;
  LineSettings base_;
  Duration interval_;
  Framer framer_;
  EchoFilter echo_;

  Phase phase_ = Phase::listening;
  Duration deadline_{};
  Duration slot_{};
  Duration listen_until_{};
  Duration give_up_at_{};    ///< of the data, however it trickles
  std::uint32_t baud_ = 0;   ///< of the line now, or after `switching`
  std::uint32_t highest_;    ///< asked for in mode c
  int tries_ = 0;            ///< of the request
  bool repeated_ = false;    ///< NAK was sent in this round
  bool heard_data_ = false;  ///< a byte came at the new speed
  std::optional<Duration> power_at_;
};

}  // namespace nightwatt::drivers::iec62056
