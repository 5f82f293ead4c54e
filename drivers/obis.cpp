#include "obis.hpp"

#include <algorithm>
#include <array>
#include <charconv>

#include "fault_text.hpp"
#include "text/field.hpp"
#include "toml_text.hpp"

namespace nightwatt::drivers::obis {

namespace {

constexpr std::uint8_t electricity = 1;
constexpr std::uint8_t now = 255;          // of F
constexpr std::uint8_t energy_total = 8;   // of D: time integral since the beginning
constexpr std::uint8_t most_tariffs = 63;  // of E, IEC 62056-61 5.3
constexpr std::size_t code_limit = 24;     // 255-255:255.255.255*255
/// Of the codes a meter has, told in a fault.
constexpr std::size_t told_codes = 6;

constexpr std::array<std::string_view, 2> keys = {"obis", "minus"};

/// Takes a number up to 255, or one of the letters of IEC 62056-61, off the front.
std::optional<std::uint8_t> take_group(std::string_view& text) {
  if (text.empty()) return std::nullopt;
  constexpr std::array<std::pair<char, std::uint8_t>, 4> letters = {{{'C', 96}, {'F', 97}, {'L', 98}, {'P', 99}}};
  for (const auto& [letter, group] : letters) {
    if (text.front() != letter) continue;
    text.remove_prefix(1);
    return group;
  }
  std::uint8_t group = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), group);
  if (error != std::errc()) return std::nullopt;
  text.remove_prefix(static_cast<std::size_t>(end - text.data()));
  return group;
}

bool take_sign(std::string_view& text, char sign) {
  if (text.empty() || text.front() != sign) return false;
  text.remove_prefix(1);
  return true;
}

/// A - B, up to the colon.
bool take_medium(std::string_view& text, Code& code) {
  code.a = take_group(text);
  if (!code.a || !take_sign(text, '-')) return false;
  code.b = take_group(text);
  return code.b && take_sign(text, ':');
}

std::optional<Decimal> sum_of(const Decimal& a, const Decimal& b, int sign) {
  const int exponent = std::min<int>(a.exponent, b.exponent);
  const auto left = a.mantissa_at(exponent);
  const auto right = b.mantissa_at(exponent);
  if (!left || !right) return std::nullopt;
  // Two of less than 9e9, at 10^-9 at the finest: their sum may leave 64 bits.
  std::int64_t sum = 0;
  if (__builtin_add_overflow(*left, sign * *right, &sum)) return std::nullopt;
  return Decimal{sum, static_cast<std::int8_t>(exponent)}.times({1, 0});
}

/// What became of looking for one register.
enum class Found : std::uint8_t { absent, no_value, value, bad };
struct Taken {
  Found found = Found::absent;
  Decimal value{};
};

/// One reading's registers, and where its faults go.
struct Reader {
  std::span<const Register> registers;
  std::uint64_t at_byte;
  std::vector<Fault>& faults;

  Taken bad(FaultKind kind, Quantity quantity, const Code& code, const std::string& what) {
    faults.push_back(make_fault(
        kind, at_byte, std::string(quantity_name(quantity)) + ": the register " + code_text(code) + " " + what));
    return {Found::bad, {}};
  }

  /// In the quantity's own unit.
  Taken of_register(const Register& had, Quantity quantity, const Decimal& scale) {
    if (!had.value) return {Found::no_value, {}};
    Decimal factor{1, 0};
    if (!had.unit.empty()) {
      const text::UnitMeaning meaning = text::unit_meaning(had.unit, quantity);
      if (meaning.fit != text::UnitFit::known)
        return bad(FaultKind::mismatch, quantity, had.code, "has the unit " + quoted(had.unit, 16));
      factor = meaning.factor;
    } else if (counts_thousands(quantity) && scale.mantissa == 1 && scale.exponent == 0) {
      return bad(FaultKind::mismatch, quantity, had.code,
                 "has no unit: write scale = 1000 if it counts thousands, or scale = 1.0");
    }
    const auto value = had.value->times(factor);
    if (!value) return bad(FaultKind::range, quantity, had.code, "is out of range");
    return {Found::value, *value};
  }

  /// Meters count these in W as well as in kW.
  static bool counts_thousands(Quantity quantity) {
    return quantity == Quantity::power || quantity == Quantity::energy || quantity == Quantity::energy_export ||
           quantity == Quantity::apparent || quantity == Quantity::reactive;
  }

  Taken find(const Code& asked, Quantity quantity, const Decimal& scale) {
    for (const Register& had : registers)
      if (matches(asked, had.code)) return of_register(had, quantity, scale);
    return asked.d == energy_total && asked.e == 0 ? sum_tariffs(asked, quantity, scale) : Taken{};
  }

  /// All of one A-B: that of the first tariff. A sum without one of its parts would be a counter that jumps.
  Taken sum_tariffs(const Code& asked, Quantity quantity, const Decimal& scale) {
    Taken sum;
    const Code* first = nullptr;
    for (const Register& had : registers) {
      Code total = had.code;
      total.e = 0;
      if (had.code.e == 0 || had.code.e > most_tariffs || !matches(asked, total)) continue;
      if (first != nullptr && (first->a != had.code.a || first->b != had.code.b)) continue;
      const Taken part = of_register(had, quantity, scale);
      if (part.found != Found::value) return part;
      if (first == nullptr) {
        first = &had.code;
        sum = part;
        continue;
      }
      const auto added = sum_of(sum.value, part.value, 1);
      if (!added) return bad(FaultKind::range, quantity, had.code, "makes a sum that is out of range");
      sum.value = *added;
    }
    return sum;
  }
};

Code electric(std::uint8_t c, std::uint8_t d, std::uint8_t e) {
  Code code;
  code.a = electricity;
  code.c = c;
  code.d = d;
  code.e = e;
  return code;
}

/// What a meter has, for who wrote a profile that does not fit it.
std::string told(std::span<const Register> registers) {
  std::string text;
  for (const Register& had : registers.first(std::min(told_codes, registers.size())))
    text += (text.empty() ? "" : ", ") + code_text(had.code);
  return text + (registers.size() > told_codes ? " ..." : "");
}

}  // namespace

std::optional<Code> parse_code(std::string_view text) {
  if (text.size() > code_limit) return std::nullopt;
  Code code;
  if (text.find(':') != std::string_view::npos && !take_medium(text, code)) return std::nullopt;
  const auto c = take_group(text);
  if (!c || !take_sign(text, '.')) return std::nullopt;
  const auto d = take_group(text);
  if (!d) return std::nullopt;
  code.c = *c;
  code.d = *d;
  if (take_sign(text, '.')) {
    const auto e = take_group(text);
    if (!e) return std::nullopt;
    code.e = *e;
  }
  // `&` in place of `*` marks a value that was set back by hand.
  if (take_sign(text, '*') || take_sign(text, '&')) {
    const auto f = take_group(text);
    if (!f) return std::nullopt;
    code.f = *f;
  }
  return text.empty() ? std::optional(code) : std::nullopt;
}

std::string code_text(const Code& code) {
  std::string text;
  if (code.a && code.b) text = std::to_string(*code.a) + "-" + std::to_string(*code.b) + ":";
  text += std::to_string(code.c) + "." + std::to_string(code.d) + "." + std::to_string(code.e);
  return code.f == now ? text : text + "*" + std::to_string(code.f);
}

bool matches(const Code& asked, const Code& had) {
  if (asked.c != had.c || asked.d != had.d || asked.e != had.e || asked.f != had.f) return false;
  if (asked.a && asked.a != had.a.value_or(electricity)) return false;
  return !asked.b || !had.b || asked.b == had.b;
}

std::vector<RegisterPlan::Choice> RegisterPlan::usual_choices(Quantity quantity) {
  constexpr std::uint8_t instantaneous = 7;
  const auto at_once = [&](std::uint8_t c) { return electric(c, instantaneous, 0); };
  switch (quantity) {
    case Quantity::power:
      return {{at_once(16), std::nullopt}, {at_once(1), at_once(2)}};
    case Quantity::energy:
      return {{electric(1, energy_total, 0), std::nullopt}};
    case Quantity::energy_export:
      return {{electric(2, energy_total, 0), std::nullopt}};
    case Quantity::voltage:
      return {{at_once(32), std::nullopt}, {at_once(12), std::nullopt}};
    case Quantity::current:
      return {{at_once(31), std::nullopt}, {at_once(11), std::nullopt}};
    case Quantity::power_factor:
      return {{at_once(13), std::nullopt}, {at_once(33), std::nullopt}};
    case Quantity::frequency:
      return {{at_once(14), std::nullopt}};
    case Quantity::apparent:
      return {{at_once(9), std::nullopt}};
    case Quantity::reactive:
      return {{at_once(3), at_once(4)}};
  }
  return {};
}

Result<RegisterPlan> RegisterPlan::make(const std::vector<ReadSpec>& reads) {
  RegisterPlan plan;
  for (const ReadSpec& spec : reads) {
    Read read{spec.quantity, spec.scale, {}};
    if (spec.obis.empty()) {
      read.choices = usual_choices(spec.quantity);
    } else {
      const auto plus = parse_code(spec.obis);
      const auto minus = spec.minus.empty() ? std::nullopt : parse_code(spec.minus);
      if (!plus || (!spec.minus.empty() && !minus))
        return fail(ErrorKind::input, quoted(plus ? spec.minus : spec.obis) + " is no OBIS code such as 1-0:1.7.0");
      read.choices.push_back({*plus, minus});
    }
    plan.reads_.push_back(std::move(read));
  }
  return plan;
}

bool RegisterPlan::wants(const Code& code) const {
  const auto is = [&](const Code& asked) {
    if (matches(asked, code)) return true;
    Code total = code;
    total.e = 0;
    return asked.d == energy_total && asked.e == 0 && matches(asked, total);
  };
  return std::any_of(reads_.begin(), reads_.end(), [&](const Read& read) {
    return std::any_of(read.choices.begin(), read.choices.end(),
                       [&](const Choice& choice) { return is(choice.plus) || (choice.minus && is(*choice.minus)); });
  });
}

Values RegisterPlan::take(std::span<const Register> registers, std::uint64_t at_byte,
                          std::vector<Fault>& faults) const {
  Values values;
  Reader reader{registers, at_byte, faults};
  bool any = false;
  for (const Read& read : reads_) {
    for (const Choice& choice : read.choices) {
      Taken taken = reader.find(choice.plus, read.quantity, read.scale);
      if (taken.found == Found::absent) continue;
      any = true;
      if (taken.found != Found::value) break;
      std::optional<Decimal> value = taken.value;
      if (choice.minus) {
        const Taken less = reader.find(*choice.minus, read.quantity, read.scale);
        if (less.found == Found::bad || less.found == Found::no_value) break;
        if (less.found == Found::value) value = sum_of(taken.value, less.value, -1);
      }
      if (value) value = value->times(read.scale);
      if (value)
        values.set(read.quantity, *value);
      else
        static_cast<void>(reader.bad(FaultKind::range, read.quantity, choice.plus, "is out of range"));
      break;
    }
  }
  if (!any)
    faults.push_back(make_fault(FaultKind::mismatch, at_byte,
                                registers.empty()
                                    ? "a good read-out without a register"
                                    : "a good read-out without what the profile reads; it has " + told(registers)));
  return values;
}

std::span<const std::string_view> read_keys() {
  return keys;
}

void read_place(ProfileTable& table, ReadSpec& read) {
  const auto take = [&](std::string_view key, std::string& to) {
    const auto code = table.text(key, code_limit);
    if (!code) return;
    if (!parse_code(*code))
      table.problem(key, "this is no OBIS code", "write one such as " + std::string(key) + " = \"1-0:1.7.0\"");
    to = *code;
  };
  take("obis", read.obis);
  take("minus", read.minus);
  if (!read.minus.empty() && read.obis.empty())
    table.problem("minus", "\"minus\" needs the register it is subtracted from", "add obis");
}

std::string place_text(const ReadSpec& read) {
  return (read.obis.empty() ? "" : text_entry("obis", read.obis)) +
         (read.minus.empty() ? "" : text_entry("minus", read.minus));
}

std::vector<ReadSpec> usual_reads() {
  std::vector<ReadSpec> reads;
  for (const Quantity quantity : {Quantity::power, Quantity::energy, Quantity::energy_export, Quantity::voltage,
                                  Quantity::current, Quantity::frequency}) {
    reads.emplace_back();
    reads.back().quantity = quantity;
  }
  return reads;
}

}  // namespace nightwatt::drivers::obis
