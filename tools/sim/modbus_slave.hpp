// A Modbus RTU slave, or TCP server, with a profile's registers (Application Protocol V1.1b3, Serial Line V1.02).
#pragma once

#include <array>
#include <map>

#include "faults.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {

/// Answers functions 3 and 4 where every register asked for is one of the profile's, else with an exception. Over TCP
/// in frames with a header (Implementation Guide V1.0b, 3.1.3) instead of a check.
class ModbusSlave : public Meter {
 public:
  ModbusSlave(const MeterProfile& profile, Script script, std::uint64_t seed);
  void receive(std::span<const std::byte> bytes, double at_s, std::vector<Chunk>& out) override;
  void advance(double at_s, std::vector<Chunk>& out) override;
  [[nodiscard]] std::optional<double> next_s() const override { return faults_.next_noise_s(); }
  void plugged(double at_s, std::vector<Chunk>& out) override;

 protected:
  struct Answer {
    std::vector<std::uint8_t> pdu;
    std::vector<std::pair<Quantity, std::string>> values;
  };
  [[nodiscard]] virtual Answer read_registers(std::uint8_t function, std::uint16_t first, std::uint16_t count,
                                              double at_s) const;
  [[nodiscard]] const MeterProfile& profile() const { return profile_; }
  [[nodiscard]] const Model& model() const { return model_; }
  [[nodiscard]] static std::vector<std::uint8_t> refused(std::uint8_t function);

 private:
  [[nodiscard]] bool take_tcp_request(std::vector<std::uint8_t>& request);
  void handle(std::span<const std::uint8_t> request, double at_s, std::vector<Chunk>& out);
  void emit(Answer answer, std::uint8_t function, double at_s, std::vector<Chunk>& out);

  MeterProfile profile_;
  std::uint8_t unit_;
  bool tcp_;
  std::array<std::uint8_t, 2> transaction_{};  ///< of the request in hand
  Model model_;
  Faults faults_;
  std::vector<std::uint8_t> pending_;  ///< at most one request and what came before it
};

}  // namespace nightwatt::sim
