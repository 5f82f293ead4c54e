// How narrow the interval of a level can be at best, for the displays of the coverage table; all in steps.
#pragma once

namespace nightwatt {

inline constexpr double z95 = 1.959963984540054;

/// Cramer-Rao bound of the level, noise unknown, per reading: variance of a rounded Gaussian's mean.
[[nodiscard]] double rounded_bound(double level, double noise);

/// The same behind a display that moves only when the power is past a count's edge by `past` steps, which is not known
/// either: the information of a Markov chain of counts (noise that forgets from one reading to the next).
[[nodiscard]] double hysteresis_bound(double level, double noise, double past);

/// Half-width of an interval about the middle of two levels, that of such a display and that of one which only rounds:
/// slow noise behind the latter shows the same counts as often, repeats itself as often and alone as often, so that who
/// is not told which it is cannot do better. Either is known as well as by hysteresis_bound().
[[nodiscard]] double hysteresis_or_slow_bound(double level, double noise, double past, double n);

/// Half-width that two counts leave open at best: the levels that no noise excludes which would have shown a third in n
/// readings, noise being Gaussian.
[[nodiscard]] double two_count_bound(double level, double noise, double n);

}  // namespace nightwatt
