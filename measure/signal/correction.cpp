#include "measure/signal/correction.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>

#include "measure/signal/digits.hpp"
#include "measure/signal/matrix.hpp"
#include "measure/signal/time_text.hpp"

namespace nightwatt {

namespace {

constexpr double beyond_range = 0.1;
/// A meter that shows half or twice the truth has a wrong scale: that belongs into its profile.
constexpr double least_slope = 0.5, most_slope = 2.0;

Matrix square_of(const Correction& correction) {
  const std::size_t n = correction.coefficients.size();
  Matrix all(n, n);
  std::size_t next = 0;
  for (std::size_t a = 0; a < n; ++a)
    for (std::size_t b = a; b < n; ++b, ++next)
      all(a, b) = all(b, a) = next < correction.covariance.size() ? correction.covariance[next] : 0.0;
  return all;
}

}  // namespace

double Correction::at(double shown_w) const {
  double sum = 0.0;
  for (std::size_t i = coefficients.size(); i-- > 0;) sum = sum * shown_w + coefficients[i];
  return sum;
}

double Correction::slope_at(double shown_w) const {
  double sum = 0.0;
  for (std::size_t i = coefficients.size(); i-- > 1;) sum = sum * shown_w + static_cast<double>(i) * coefficients[i];
  return sum;
}

double Correction::standard_deviation_at(double shown_w) const {
  const Matrix all = square_of(*this);
  double variance = scatter_w * scatter_w;
  for (std::size_t a = 0; a < coefficients.size(); ++a)
    for (std::size_t b = 0; b < coefficients.size(); ++b)
      variance += std::pow(shown_w, static_cast<double>(a + b)) * all(a, b);
  return std::sqrt(std::max(0.0, variance));
}

bool Correction::covers(double shown_w) const {
  return shown_w >= from_w - beyond_range * std::abs(from_w) && shown_w <= to_w + beyond_range * std::abs(to_w);
}

bool Correction::sound() const {
  const std::size_t n = coefficients.size();
  if (n < 2 || n > 3 || covariance.size() != n * (n + 1) / 2 || !(from_w < to_w) || !(scatter_w >= 0.0)) return false;
  const auto finite = [](double x) { return std::isfinite(x); };
  if (!std::all_of(coefficients.begin(), coefficients.end(), finite)) return false;
  if (!std::all_of(covariance.begin(), covariance.end(), finite)) return false;
  const auto slope_is_sound = [&](double w) { return slope_at(w) >= least_slope && slope_at(w) <= most_slope; };
  return slope_is_sound(from_w) && slope_is_sound(to_w) && cholesky(square_of(*this)).has_value();
}

std::string Correction::words() const {
  return "calibrated " + utc_text(made).substr(0, 10);
}

std::string correction_text(const Correction& correction) {
  std::string text = std::to_string(correction.made.us) + " " + std::to_string(correction.until.us) + " " +
                     std::to_string(correction.coefficients.size());
  const auto add = [&](double number) { text.append(" ").append(digits_of(number)); };
  for (const double number : correction.coefficients) add(number);
  for (const double number : correction.covariance) add(number);
  for (const double number : {correction.scatter_w, correction.from_w, correction.to_w}) add(number);
  return text;
}

Result<Correction> correction_from_text(std::string_view text) {
  const auto bad = [] { return fail(ErrorKind::input, "the correction kept with the run is damaged"); };
  bool good = true;
  const auto next = [&](auto number) {
    while (!text.empty() && text.front() == ' ') text.remove_prefix(1);
    const auto [end, problem] = std::from_chars(text.data(), text.data() + text.size(), number);
    good = good && problem == std::errc();
    text.remove_prefix(static_cast<std::size_t>(end - text.data()));
    return number;
  };
  Correction correction;
  correction.made.us = next(std::int64_t{0});
  correction.until.us = next(std::int64_t{0});
  const std::int64_t count = next(std::int64_t{0});
  if (!good || count < 2 || count > 3) return bad();
  correction.coefficients.clear();
  correction.covariance.clear();
  for (std::int64_t i = 0; i < count; ++i) correction.coefficients.push_back(next(0.0));
  for (std::int64_t i = 0; i < count * (count + 1) / 2; ++i) correction.covariance.push_back(next(0.0));
  correction.scatter_w = next(0.0);
  correction.from_w = next(0.0);
  correction.to_w = next(0.0);
  if (!good || !text.empty() || !correction.sound()) return bad();
  return correction;
}

}  // namespace nightwatt
