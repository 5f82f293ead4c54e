// The live and the capture side of sunspec.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "drivers/decoder.hpp"
#include "drivers/sunspec/settings.hpp"
#include "modbus/frame.hpp"
#include "question_round.hpp"

namespace nightwatt::drivers::sunspec {

/// Finds the map (at 40000, 50000 or 0), walks its models to the first meter, and reads that meter's block on a fixed
/// grid. Every block begins with its model's number, so that no other answer can be taken for it; a block that does not
/// is a reason to look for the map again.
///
/// Whether the other end wants frames of a serial line or of TCP is found out: the map is looked for in one, then in
/// the other.
class Meter final : public Decoder {
 public:
  Meter(std::vector<ReadSpec> reads, const SunSpecSettings& settings, const LineSettings& line, Duration interval);

  void feed(std::span<const std::byte> bytes, Duration now, Output& out) override;
  void tick(Duration now, Output& out) override;
  [[nodiscard]] std::optional<Duration> next_tick() const override { return waiting_ ? deadline_ : next_ask_; }
  void reset(Duration now) override;

 private:
  enum class Step : std::uint8_t { find_map, walk, read };

  void look_anew(Duration at);
  void ask(Duration now, Output& out);
  void on_silence(Duration now, Output& out);
  void on_answer(std::span<const std::byte> data, std::uint64_t at_byte, Duration now, Output& out);
  void on_refusal(int code, std::uint64_t at_byte, Duration now, Output& out);
  void next_base(Duration now, Output& out);
  void end_round(Duration now, Output& out);
  [[nodiscard]] modbus::Request request() const;
  [[nodiscard]] std::optional<modbus::Frame> frame_of_last(std::size_t length) const;
  [[nodiscard]] bool take_frame(Duration now, Output& out);

  std::vector<ReadSpec> reads_;
  SunSpecSettings settings_;
  Duration character_time_;
  QuestionRound round_;  ///< of one question: the meter's block

  Step step_ = Step::find_map;
  bool tcp_ = false;      ///< frames of TCP, for now
  std::size_t base_ = 0;  ///< which of the places a map may be at
  std::uint16_t at_ = 0;  ///< register of the model in hand
  unsigned model_ = 0;
  int walked_ = 0;
  int tries_ = 0;
  bool waiting_ = false;
  Duration deadline_{};
  Duration next_ask_{};
  std::uint16_t transaction_ = 0;
  std::vector<std::byte> buffer_;
  std::uint64_t fed_ = 0;
};

/// Blocks of meters in a captured line or connection, known by their numbers.
class CaptureBlocks final : public CaptureDecoder {
 public:
  CaptureBlocks(std::vector<ReadSpec> reads, int unit) : reads_(std::move(reads)), unit_(unit) {}
  void feed(std::span<const std::byte> bytes, Output& out) override;
  void finish(Output& out) override;

 private:
  void parse(bool at_end, Output& out);
  void end_noise(std::uint64_t at, Output& out);

  std::vector<ReadSpec> reads_;
  int unit_;
  std::vector<std::byte> buffer_;
  std::uint64_t buffer_at_ = 0;
  bool is_serial_ = false;  ///< a frame with a right check was there
  std::optional<std::uint64_t> noise_from_;
};

}  // namespace nightwatt::drivers::sunspec
