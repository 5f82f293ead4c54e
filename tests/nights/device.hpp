// A device at work: the words from which the sorts of nights are put together.
#pragma once

#include "night.hpp"
#include "random.hpp"

namespace nightwatt::nights {

/// What sort of thing is plugged in; its idle in W.
struct DeviceClass {
  double least_idle_w;
  double most_idle_w;
  double least_standby_w;  ///< adapter alone, soft off, sleep
  double most_standby_w;
};
/// Common practice, no source. All standby draws are below (EU) 2023/826's
/// networked limits but the server's manager's.
inline constexpr DeviceClass board = {1.5, 6.0, 0.05, 0.4};
inline constexpr DeviceClass laptop = {3.5, 11.0, 0.15, 1.1};
inline constexpr DeviceClass desktop = {18.0, 70.0, 0.6, 3.5};
inline constexpr DeviceClass display = {12.0, 45.0, 0.1, 0.5};
inline constexpr DeviceClass server = {55.0, 180.0, 5.0, 13.0};

class Device {
 public:
  /// Takes a class's idle and standby, the display's step and the noise at
  /// random.
  Device(Random& random, const DeviceClass& of, const Meter& meter);

  Random& random;
  Plan plan;
  double idle_w = 10.0;
  double standby_w = 1.0;
  double noise_share = 0.004;  ///< of the level, standard deviation

  /// A time to hold something: in proportion, and never so short that the meter
  /// reads it fewer than 15 times.
  double hold(double least_s, double most_s);

  Act& add(Kind kind, double level_w, double length_s);
  void off(double length_s);
  void standby(double level_w, double length_s);
  /// 15 to 110 s of irregular work above the idle that follows. Comes to more
  /// than a sparse meter can see only as readings.
  void boot();
  /// Irregular work that is no boot.
  void work(double low_w, double high_w, double length_s);
  /// The idle level, the same but for half a percent.
  Act& idle(double length_s);
  /// Idle with a burst of 3 to 14 s now and then.
  Act& idle_with_bursts(double length_s);
  /// Departures of 3 to 14 s from an act's level, upwards or downwards.
  void add_bursts(Act& act, double every_s, double added_w);
  Act& load(double level_w, double length_s);
  /// A load that begins 10 to 40 % above itself for 3 to 14 s.
  Act& turbo(double level_w, double length_s);
  Act& settling(double level_w, double length_s);
  void ramp(double from_w, double to_w, double length_s);
  /// Work in turns of two levels, neither held for a minute.
  void fast_turns(double length_s);
  void charge(Kind on_top_of, double own_w, double charge_w);
  void gap(double length_s);

  /// A load's level, seen apart from idle and from the act before.
  double load_w(double least_ratio = 1.35, double most_ratio = 5.0);
  /// Whether two levels are further apart than anybody would call the same.
  [[nodiscard]] bool apart(double a_w, double b_w) const;
  [[nodiscard]] double last_w() const { return plan.acts.empty() ? 0.0 : plan.acts.back().level_w; }
};

}  // namespace nightwatt::nights
