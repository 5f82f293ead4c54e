#include "page_text.hpp"

#include <cmath>

#include "figures/figures.hpp"
#include "measure/signal/digits.hpp"
#include "text/printable.hpp"

namespace nightwatt::report {

std::string html(std::string_view text) {
  std::string safe;
  for (const char c : text::printable(text)) {
    switch (c) {
      case '&':
        safe += "&amp;";
        break;
      case '<':
        safe += "&lt;";
        break;
      case '>':
        safe += "&gt;";
        break;
      case '"':
        safe += "&quot;";
        break;
      case '\'':
        safe += "&#39;";
        break;
      default:
        safe += c;
    }
  }
  return safe;
}

std::string script_safe(std::string_view json) {
  std::string safe;
  safe.reserve(json.size());
  for (std::size_t i = 0; i < json.size(); ++i) {
    const std::string_view rest = json.substr(i);
    if (rest.front() == '<') {
      safe += "\\u003c";
    } else if (rest.front() == '>') {
      safe += "\\u003e";
    } else if (rest.front() == '&') {
      safe += "\\u0026";
    } else {
      safe += rest.front();
    }
  }
  return safe;
}

std::string plain(double number) {
  std::string text = digits_of(number, std::chars_format::fixed, 3);
  text.erase(text.find_last_not_of('0') + 1);
  if (text.back() == '.') text.pop_back();
  return text == "-0" ? "0" : text;
}

std::string percent(double share) {
  return plain(share * 100.0) + "%";
}

FigureWords figure_words(const std::optional<Figure>& figure) {
  const std::string text = figures::figure_or_nothing(figure, "");
  constexpr std::string_view between = " ± ";
  const std::size_t at = text.find(between);
  const auto trimmed = [](std::string word) {
    word.erase(word.find_last_not_of(' ') + 1);
    return word;
  };
  if (at == std::string::npos) return {trimmed(text), {}};
  return {text.substr(0, at), trimmed(text.substr(at + between.size()))};
}

namespace {

/// A round number near a share of the range.
double round_step(double range, double marks) {
  const double rough = range / marks;
  const double power = std::pow(10.0, std::floor(std::log10(rough)));
  for (const double nice : {1.0, 2.0, 2.5, 5.0})
    if (rough <= nice * power * (1.0 + 1e-9)) return nice * power;
  return 10.0 * power;
}

}  // namespace

Axis axis_for(double lowest, double highest) {
  constexpr double marks = 4.0;  // about: enough to read between, few enough to stay quiet
  Axis axis;
  const double low = std::min(0.0, lowest), high = std::max({0.0, highest, low + 1e-9});
  axis.step = round_step(high - low, marks);
  axis.bottom = std::floor(low / axis.step) * axis.step;
  axis.top = std::ceil(high / axis.step) * axis.step;
  return axis;
}

Axis axis_within(double low, double high) {
  constexpr double marks = 3.0;
  Axis axis;
  axis.step = round_step(std::max(high - low, 1e-9), marks);
  axis.bottom = std::ceil(low / axis.step) * axis.step;
  axis.top = std::floor(high / axis.step) * axis.step;
  return axis;
}

}  // namespace nightwatt::report
