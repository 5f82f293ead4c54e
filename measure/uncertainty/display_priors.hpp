// How likely it is, before anything is seen, what a display does and what noise is before it: all in one table. A prior
// counts only beside those of what explains the same readings. None has a source; what each is chosen by is said.
#pragma once

namespace nightwatt::display_prior {

/// A display that rounds to the nearest count, and sends each reading. Beside it, of all displays that look so:
inline constexpr double usual = 0.499;
/// Sticks at its count until the power is well past the edge: nothing is known of how many do, so as likely as not.
inline constexpr double sticks = 0.499;
/// Speaks when something changes, though its profile does not say so: few do, and thirty readings tell.
inline constexpr double on_change = 0.01;
/// Dithers by itself: few do. 0.03 makes every display of three counts up to a third wider, and 0.01 those of a third
/// of a step of noise by 7 % (docs/blind-alleys.md).
inline constexpr double dithers = 0.002;

/// What the digits that are not shown do, where nobody told: 0.04 is the largest chance of cutting off with which the
/// interval stays that of a display that rounds. Any larger makes it half a step wider for every reader.
inline constexpr double rounds_off = 0.96;
inline constexpr double cuts_off = 0.04;

/// Why a display that rounds repeats itself: first-order noise, slow noise of any other sort, or a meter that holds its
/// readings. Even, but for the sort whose repeats can be reckoned.
inline constexpr double first_order_noise = 0.5;
inline constexpr double other_slow_noise = 0.25;
inline constexpr double holds = 0.25;

}  // namespace nightwatt::display_prior
