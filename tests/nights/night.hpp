// A night as it was: what a device did, what a meter showed of it, and what a
// careful reader of the contract would say.
//
// Written from docs and the outside contract alone, without regard to how the
// segmenter works.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace nightwatt::nights {

/// The kinds of the outside contract.
enum class Kind : std::uint8_t { off, standby, idle, ramp, plateau, charging, unsteady, gap };
[[nodiscard]] std::string_view kind_name(Kind kind);

/// One thing the device does. All that is on top of `level_w` comes and goes
/// within it. Powers in W, times in s.
struct Act {
  Kind kind = Kind::idle;
  double length_s = 0.0;
  double skip_s = 0.0;  ///< of it, which had passed when the record began
  double level_w = 0.0;
  double end_level_w = 0.0;  ///< of a ramp, reached after ramp_s
  double ramp_s = 0.0;
  double settle_w = 0.0;  ///< starts this much away from the level and decays
  double settle_tau_s = 60.0;
  double peak_w = 0.0;  ///< a turbo peak at its start, on top
  double peak_s = 0.0;
  double charge_w = 0.0;  ///< a battery's: steady for charge_flat_s, then decaying
  double charge_flat_s = 0.0;
  double charge_tau_s = 600.0;
  std::vector<std::pair<double, double>> steps;  ///< added from that second of the act on: irregular work, bursts,
                                                 ///< turns
  double noise_w = 0.0;                          ///< standard deviation
  bool boot = false;                             ///< irregular work that starts a device up
  bool turns = false;                            ///< the steps are work in turns, of which the level is the mean
};

/// What the device draws `since_s` after the act's own beginning, without
/// noise.
[[nodiscard]] double power_w(const Act& act, double since_s);
/// The same without what comes and goes: peaks, bursts, a battery.
[[nodiscard]] double own_level_w(const Act& act, double since_s);

struct Meter {
  double interval_s = 1.0;
  double jitter = 0.0;  ///< of each reading's time, as a share of the interval
  double step_w = 0.1;  ///< of the display
  bool truncates = false;
  bool declared = false;  ///< the step is told, not learnt
  double lost_share = 0.0;
  bool averages = false;  ///< a reading is the mean since the one before, not an instant
};

struct Plan {
  std::vector<Act> acts;
  Meter meter;
  double noise_correlation_time_s = 0.0;  ///< of first-order correlated noise; 0: white
};

/// One true segment. What the record cannot tell, or only to within some
/// readings, is not judged.
struct TrueSegment {
  Kind kind = Kind::idle;
  double begin_s = 0.0;
  double end_s = 0.0;
  std::optional<double> level_w;  ///< mean over the last two thirds; absent: no
                                  ///< level, or held too short to be judged
  bool judged = false;            ///< held long enough for its kind to be seen
  double unclear_until_s = 0.0;   ///< from its begin: a peak, an edge that is not sharp
  double unclear_from_s = 0.0;    ///< to its end
};

enum class FigureName : std::uint8_t { idle, load, standby, sustained, baseline };
inline constexpr std::size_t figure_count = 5;
inline constexpr std::array<std::string_view, figure_count> figure_names = {"idle", "load", "standby", "sustained",
                                                                            "baseline"};

/// What the run's figure is, or that it has none, or that the contract leaves
/// it open.
struct TrueFigure {
  bool judged = false;
  std::optional<double> value_w;
};

struct Truth {
  std::vector<TrueSegment> segments;
  bool kinds_judged = false;  ///< the record tells which of its levels is which
  std::string why_not;        ///< where it does not
  std::array<TrueFigure, figure_count> figures;
};

struct Night {
  std::string sort;
  std::uint64_t seed = 0;
  Plan plan;
  std::vector<std::pair<std::int64_t, double>> readings;  ///< microseconds and W as shown
  Truth truth;
};

/// What of a plan lies between two instants.
[[nodiscard]] Plan cropped(const Plan& plan, double from_s, double to_s);
[[nodiscard]] double length_s(const Plan& plan);

/// The meter's readings of a plan.
[[nodiscard]] std::vector<std::pair<std::int64_t, double>> play(const Plan& plan, std::uint64_t seed);

/// What there is to find in them.
[[nodiscard]] Truth truth_of(const Plan& plan);

/// All sorts of nights, by name.
[[nodiscard]] const std::vector<std::string>& sort_names();

/// One night; `sort` is one of sort_names().
[[nodiscard]] Night make_night(std::string_view sort, std::uint64_t seed);

}  // namespace nightwatt::nights
