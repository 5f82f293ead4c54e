#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

#include "measure/uncertainty/figure.hpp"

namespace nightwatt {

namespace {

/// Decimals beyond this say nothing in watts or watt-hours; a smaller uncertainty is shown with them.
constexpr int most_decimals = 9;
/// Rounding an uncertainty down may take away no more than this share of it; else it is rounded up (GUM 7.2.6: 10.47 to
/// 11, but 28.05 to 28).
constexpr double rounding_down_share = 0.03;

/// `decimals` may be negative: 12340 with -1 keeps tens.
std::string fixed_text(double value, int decimals) {
  if (decimals < 0) {
    const double unit = std::pow(10.0, -decimals);
    value = std::round(value / unit) * unit;
  }
  std::array<char, 400> digits;  // the largest double has 309 digits before the point
  const auto [end, error] = std::to_chars(digits.data(), digits.data() + digits.size(), value, std::chars_format::fixed,
                                          decimals < 0 ? 0 : decimals);
  std::string text(digits.data(), end);
  if (text.front() == '-' && text.find_first_of("123456789") == std::string::npos) text.erase(0, 1);
  return text;
}

struct Rounded {
  double value;
  int decimals;
};

/// Two significant digits.
Rounded round_uncertainty(double uncertainty) {
  int decimals = 1 - static_cast<int>(std::floor(std::log10(uncertainty)));
  if (decimals > most_decimals) return {uncertainty, most_decimals};
  double scale = std::pow(10.0, decimals);
  double counts = uncertainty * scale;  // 10 to 100
  double whole = std::floor(counts + 0.5);
  if (counts - whole > rounding_down_share * counts) whole += 1.0;
  if (whole >= 100.0) {
    --decimals;
    whole = 10.0;
    scale = std::pow(10.0, decimals);
  }
  return {whole / scale, decimals};
}

/// Fewer digits, where `finest` allows no more; the uncertainty is then never rounded to nothing.
Rounded no_finer_than(double finest, double uncertainty, Rounded rounded) {
  const int most = -static_cast<int>(std::lround(std::log10(finest)));
  if (rounded.decimals <= most) return rounded;
  const double scale = std::pow(10.0, most);
  const double counts = uncertainty * scale;
  double whole = std::max(1.0, std::floor(counts + 0.5));
  if (counts - whole > rounding_down_share * counts) whole += 1.0;
  return {whole / scale, most};
}

}  // namespace

double finest_digit(const Figure& figure, const Shown& meter) {
  constexpr double of_step = 0.1, of_value = 0.001, whole_watts = 1.0;
  const double of_display = of_step * meter.step_w;
  if (meter.accuracy_known) return meter.step_w >= whole_watts && figure.uncertainty >= of_display ? of_display : 0.0;
  return std::max(of_display, of_value * std::abs(figure.value));
}

std::string figure_text(const Figure& figure, std::string_view unit) {
  std::string text;
  if (!std::isfinite(figure.value)) return "-";
  const bool known = std::isfinite(figure.uncertainty) && figure.uncertainty > 0.0;
  if (!known) {
    std::array<char, 32> digits;  // an unknown uncertainty must not look like a small one: six digits, no interval
    const auto [end, error] =
        std::to_chars(digits.data(), digits.data() + digits.size(), figure.value, std::chars_format::general, 6);
    text.assign(digits.data(), end);
  } else {
    Rounded rounded = round_uncertainty(figure.uncertainty);
    if (figure.finest > 0.0) rounded = no_finer_than(figure.finest, figure.uncertainty, rounded);
    text = fixed_text(figure.value, rounded.decimals) + " \u00b1 " + fixed_text(rounded.value, rounded.decimals);
  }
  if (!unit.empty()) text += " " + std::string(unit);
  return text;
}

}  // namespace nightwatt
