#include "registers.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdlib>
#include <limits>

#include "measure/signal/digits.hpp"
#include "sim/model.hpp"

namespace nightwatt::sim {
namespace {

void put_big_endian(std::uint64_t bits, int bytes, std::vector<std::uint8_t>& out) {
  for (int shift = 8 * (bytes - 1); shift >= 0; shift -= 8) out.push_back(static_cast<std::uint8_t>(bits >> shift));
}

// `bytes` holds the value big-endian: a b c d (e f g h).
void reorder(std::vector<std::uint8_t>& bytes, RegisterOrder order) {
  if (order == RegisterOrder::cdab || order == RegisterOrder::dcba) std::reverse(bytes.begin(), bytes.end());
  // After the reversal each word is swapped too, which is what dcba wants and cdab does not.
  if (order == RegisterOrder::cdab || order == RegisterOrder::badc)
    for (std::size_t i = 0; i + 1 < bytes.size(); i += 2) std::swap(bytes[i], bytes[i + 1]);
}

int decimals_in(const std::string& text) {
  const std::size_t point = text.find('.');
  return point == std::string::npos ? 0 : static_cast<int>(text.size() - point - 1);
}

double scale_value(const Decimal& scale) {
  return static_cast<double>(scale.mantissa) * std::pow(10.0, scale.exponent);
}

template <class Float>
RegisterImage float_image(double raw, const ReadSpec& read) {
  RegisterImage image;
  const Float number = static_cast<Float>(raw);
  if constexpr (sizeof(Float) == 4) {
    put_big_endian(std::bit_cast<std::uint32_t>(number), 4, image.bytes);
  } else {
    put_big_endian(std::bit_cast<std::uint64_t>(number), 8, image.bytes);
  }
  image.text = digits_of(number, std::chars_format::fixed);
  if (read.scale.mantissa != 1 || read.scale.exponent != 0) {
    const int decimals = decimals_in(image.text) + std::max(0, -static_cast<int>(read.scale.exponent));
    image.text = fixed_text(std::strtod(image.text.c_str(), nullptr) * scale_value(read.scale), std::min(decimals, 9));
  }
  return image;
}

struct IntegerForm {
  int bytes;
  bool is_signed;
};

IntegerForm integer_form(RegisterType type) {
  switch (type) {
    case RegisterType::u16:
      return {2, false};
    case RegisterType::s16:
      return {2, true};
    case RegisterType::u32:
      return {4, false};
    case RegisterType::s32:
      return {4, true};
    case RegisterType::u64:
      return {8, false};
    default:
      return {8, true};
  }
}

RegisterImage integer_image(double raw, const ReadSpec& read) {
  const IntegerForm form = integer_form(read.type);
  // A register that is too small sticks at its end, as meters do. 2^53 keeps the count exact in a double.
  const double span = std::min(std::ldexp(1.0, 8 * form.bytes - (form.is_signed ? 1 : 0)) - 1.0, std::ldexp(1.0, 53));
  const double lowest = form.is_signed ? -span - (form.bytes < 8 ? 1.0 : 0.0) : 0.0;
  const auto count = static_cast<std::int64_t>(std::clamp(std::round(raw), lowest, span));
  RegisterImage image;
  put_big_endian(static_cast<std::uint64_t>(count), form.bytes, image.bytes);
  image.text = fixed_text(static_cast<double>(count) * scale_value(read.scale),
                          std::max(0, -static_cast<int>(read.scale.exponent)));
  return image;
}

double usual_step(Quantity quantity) {
  switch (quantity) {
    case Quantity::current:
    case Quantity::power_factor:
      return 0.001;
    case Quantity::frequency:
      return 0.01;
    case Quantity::energy:
    case Quantity::energy_export:
      return 1.0;
    default:
      return 0.1;
  }
}

}  // namespace

int registers_taken(RegisterType type) {
  return static_cast<int>(register_count(type));
}

double display_resolution(const ReadSpec& read, const Script& script) {
  if (read.quantity == Quantity::power && script.display_w) return *script.display_w;
  if (read.resolution && *read.resolution > 0.0) return *read.resolution;
  return usual_step(read.quantity);
}

RegisterImage to_registers(const ReadSpec& read, double value, const Script& script) {
  const bool is_power = read.quantity == Quantity::power;
  const double step = display_resolution(read, script);
  // Counters never show what is not yet there.
  const bool is_counter = read.quantity == Quantity::energy || read.quantity == Quantity::energy_export;
  const DisplayRule rule = is_counter ? DisplayRule::truncate : is_power ? script.display_rule : DisplayRule::round;
  const double raw = on_display(value, step, rule) / scale_value(read.scale);
  RegisterImage image;
  if (read.type == RegisterType::float32) {
    image = float_image<float>(raw, read);
  } else if (read.type == RegisterType::float64) {
    // Through the decimal text, so that 0.1 steps come out as 23.4 and not 23.400000000000002.
    image = float_image<double>(std::strtod(fixed_text(raw, 9).c_str(), nullptr), read);
  } else {
    image = integer_image(raw, read);
  }
  reorder(image.bytes, read.order);
  return image;
}

}  // namespace nightwatt::sim
