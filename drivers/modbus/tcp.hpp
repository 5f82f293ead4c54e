// The live and the capture side of modbus-tcp.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "drivers/decoder.hpp"
#include "drivers/modbus/settings.hpp"
#include "modbus/round.hpp"
#include "modbus/tcp_frame.hpp"

namespace nightwatt::drivers::modbus {

/// Asks a Modbus TCP server on a fixed grid. Every question has a number that its answer repeats, so that a late answer
/// is known as what it is.
class TcpPoller final : public Decoder {
 public:
  TcpPoller(Plan plan, const ModbusTcpSettings& settings, Duration interval);

  void feed(std::span<const std::byte> bytes, Duration now, Output& out) override;
  void tick(Duration now, Output& out) override;
  [[nodiscard]] std::optional<Duration> next_tick() const override;
  void reset(Duration now) override;

 private:
  void next_request(Duration now, Output& out);
  void send(Duration now, Output& out);
  void on_frame(const TcpFrame& frame, std::uint64_t at_byte, Duration now, Output& out);
  void on_exception(const TcpFrame& frame, std::uint64_t at_byte, Duration now, Output& out);
  [[nodiscard]] bool is_ours(const TcpFrame& frame) const;

  Round round_;
  Duration timeout_;
  int retries_;
  bool waiting_ = false;
  int tries_ = 0;                  ///< of this request, sent
  std::uint16_t transaction_ = 0;  ///< of the last question; those of its tries run up to it
  Duration deadline_{};
  std::vector<std::byte> buffer_;  ///< less than a frame between calls
  std::uint64_t buffer_at_ = 0;    ///< offset of its first byte
  std::uint64_t noise_from_ = 0;   ///< bytes that are no frame, not yet told
  std::size_t noise_ = 0;
};

/// Reads a captured connection, answers alone or with their questions.
class TcpCapture final : public CaptureDecoder {
 public:
  explicit TcpCapture(Plan plan) : plan_(std::move(plan)) {}
  void feed(std::span<const std::byte> bytes, Output& out) override;
  void finish(Output& out) override;

 private:
  struct Question {
    std::uint16_t transaction;
    Request request;
  };
  void on_frame(const TcpFrame& frame, std::uint64_t at_byte, Output& out);
  [[nodiscard]] std::optional<Request> asked(const TcpFrame& answer);
  void collect(const Request& request, const TcpFrame& frame, std::uint64_t at_byte, Output& out);
  void end_noise(Output& out);
  void end_round(Output& out);

  Plan plan_;
  std::vector<std::byte> buffer_;
  std::uint64_t buffer_at_ = 0;
  std::uint64_t noise_from_ = 0;
  std::size_t noise_ = 0;
  std::vector<Question> questions_;  ///< not answered yet, the oldest first
  bool has_questions_ = false;
  Plan::ReadMask have_ = 0;
  Values values_;
  std::uint64_t reading_at_ = 0;
};

}  // namespace nightwatt::drivers::modbus
