// Physical quantities as types, so that a watt is never added to a watt-hour.
#pragma once

#include <compare>

namespace nightwatt {

/// A number with a unit fixed at compile time. Arithmetic stays inside the unit; use `.value` at the edges.
template <class Tag>
struct Unit {
  double value = 0.0;

  friend constexpr auto operator<=>(Unit, Unit) = default;
  friend constexpr Unit operator+(Unit a, Unit b) { return {a.value + b.value}; }
  friend constexpr Unit operator-(Unit a, Unit b) { return {a.value - b.value}; }
  friend constexpr Unit operator-(Unit a) { return {-a.value}; }
  friend constexpr Unit operator*(Unit a, double k) { return {a.value * k}; }
  friend constexpr Unit operator*(double k, Unit a) { return {a.value * k}; }
  friend constexpr Unit operator/(Unit a, double k) { return {a.value / k}; }
  friend constexpr double operator/(Unit a, Unit b) { return a.value / b.value; }
  constexpr Unit& operator+=(Unit b) {
    value += b.value;
    return *this;
  }
  constexpr Unit& operator-=(Unit b) {
    value -= b.value;
    return *this;
  }
};

using Watts = Unit<struct WattsTag>;
using WattHours = Unit<struct WattHoursTag>;
using Volts = Unit<struct VoltsTag>;
using Amperes = Unit<struct AmperesTag>;
using Seconds = Unit<struct SecondsTag>;

/// Energy of a constant power held for a time (1 Wh = 3600 J).
constexpr WattHours operator*(Watts p, Seconds t) {
  return {p.value * t.value / 3600.0};
}
/// Mean power of an energy spread over a time. `t` must not be zero.
constexpr Watts operator/(WattHours e, Seconds t) {
  return {e.value * 3600.0 / t.value};
}

}  // namespace nightwatt
