// Registers by their OBIS codes (IEC 62056-61), and what a profile takes of them: shared by all protocols that name
// them so.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/decoder.hpp"
#include "measure/signal/profile_table.hpp"

namespace nightwatt::drivers::obis {

/// A-B:C.D.E*F. A is the medium (1 electricity), B the channel; a meter may leave both out and means its own
/// electricity. F counts billing periods; 255 or none is the value of now.
struct Code {
  std::optional<std::uint8_t> a = std::nullopt;
  std::optional<std::uint8_t> b = std::nullopt;
  std::uint8_t c = 0;
  std::uint8_t d = 0;
  std::uint8_t e = 0;
  std::uint8_t f = 255;
  friend bool operator==(const Code&, const Code&) = default;
};

/// `1-0:1.8.0`, `1.8.0`, `1-0:1.8.0*255`, `F.F`: letters are C = 96, F = 97, L = 98, P = 99 (IEC 62056-61, 5.4.1), a
/// missing E is 0. nullopt for anything else.
[[nodiscard]] std::optional<Code> parse_code(std::string_view text);
/// `1-0:1.8.0`; F only where it is not 255.
[[nodiscard]] std::string code_text(const Code& code);
/// Whether a meter's register is what a profile asks: an A-B that the profile leaves out is any, one that the meter
/// leaves out is electricity on any channel.
[[nodiscard]] bool matches(const Code& asked, const Code& had);

/// One register of a read-out, as the meter said it.
struct Register {
  Code code;
  std::optional<Decimal> value = std::nullopt;  ///< none: the meter has no value at the moment
  std::string_view unit;                        ///< as text: `kWh`, `W`; empty: the meter wrote none
};

/// What a profile takes of read-outs.
///
/// A [[read]] with `obis` takes that register, less that of `minus` where the meter has it; one without takes the usual
/// registers of its quantity, of electricity: power 16.7.0, or 1.7.0 less 2.7.0; energy 1.8.0, energy_export 2.8.0;
/// voltage 32.7.0, or 12.7.0; current 31.7.0, or 11.7.0; and so on. Where a meter has no total (D = 8, E = 0) but
/// tariffs (E = 1 ...), they are summed. A unit is obeyed, and `scale` comes on top. A power or energy without a unit
/// counts W or kW, nobody knows: then `scale` must say.
class RegisterPlan {
 public:
  /// Error kind input: an `obis` or `minus` that is no code.
  [[nodiscard]] static Result<RegisterPlan> make(const std::vector<ReadSpec>& reads);

  /// The values of one good read-out. What the meter has not is missing; without any value, and without a fault, there
  /// is one that says what the meter has instead.
  [[nodiscard]] Values take(std::span<const Register> registers, std::uint64_t at_byte,
                            std::vector<Fault>& faults) const;
  /// Whether a register is of any use: what is not need not be read as a number.
  [[nodiscard]] bool wants(const Code& code) const;

 private:
  struct Choice {
    Code plus;
    std::optional<Code> minus;
  };
  struct Read {
    Quantity quantity = Quantity::power;
    Decimal scale{1, 0};
    std::vector<Choice> choices;  ///< the first that the meter has
  };
  RegisterPlan() = default;
  [[nodiscard]] static std::vector<Choice> usual_choices(Quantity quantity);

  std::vector<Read> reads_;
};

/// The keys of a [[read]], and how they are read and written back.
[[nodiscard]] std::span<const std::string_view> read_keys();
void read_place(ProfileTable& table, ReadSpec& read);
[[nodiscard]] std::string place_text(const ReadSpec& read);
/// Power, energy both ways, voltage, current and frequency, each by its usual registers.
[[nodiscard]] std::vector<ReadSpec> usual_reads();

}  // namespace nightwatt::drivers::obis
