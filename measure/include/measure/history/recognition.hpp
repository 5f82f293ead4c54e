// Knowing a device again by what its runs look like: the odds of each known device, and of none of them.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "measure/segment/segment.hpp"
#include "measure/signal/matrix.hpp"
#include "measure/uncertainty/regime.hpp"

namespace nightwatt {

/// What of a run is compared, each as its natural logarithm: nights differ by shares, not by watts.
enum class Feature : std::uint8_t {
  idle,
  standby,
  load,
  second_load,  ///< the next plateau below the load
  idle_scatter,
  load_scatter,
  boot_length,
  boot_energy,
  settling
};
inline constexpr std::size_t feature_count = 9;
inline constexpr std::size_t likeness_count = 4;
[[nodiscard]] std::string_view feature_name(Feature feature);

struct RunFeatures {
  std::array<std::optional<double>, feature_count> value;
  std::array<double, feature_count>
      standard_deviation{};  ///< standard, of the measurement: what the night does is not in it
  [[nodiscard]] std::size_t known() const;
};

/// From a run's segments and the stretches they were made of (as many). The meter's promise is counted, so that a
/// device is known on another meter too.
[[nodiscard]] RunFeatures features_of(std::span<const Segment> segments, std::span<const Regime> regimes,
                                      double step_w);

struct KnownDevice {
  std::string name;
  std::vector<RunFeatures> runs;
};

struct Recognised {
  std::size_t device = 0;
  double posterior = 0.0;  ///< probability
};
struct Recognition {
  std::vector<Recognised> devices;  ///< the likeliest first
  double none = 1.0;                ///< probability that it is a device never seen
};

/// Below this the likeliest is not proposed.
inline constexpr double propose_from = 0.90;
/// Above this a run may be named by itself.
inline constexpr double name_from = 0.99;
/// Of a device the newest runs: more make nothing surer, and an old one may be another by now.
inline constexpr std::size_t most_runs_known = 12;

/// Learns from the named runs how much a device differs from night to night and devices from one another. A value.
class Recogniser {
 public:
  explicit Recogniser(std::vector<KnownDevice> devices);
  [[nodiscard]] const std::vector<KnownDevice>& devices() const { return devices_; }
  /// A run of too few features (below two) is none of them: its one level may be anybody's.
  [[nodiscard]] Recognition recognise(const RunFeatures& run) const;

 private:
  struct Centre {
    std::array<double, feature_count> mean{};
    std::array<double, feature_count> runs{};  ///< that have the feature
    double all = 0.0;                          ///< runs
    double scale = 1.0;                        ///< of the common night-to-night covariance, for this device
    [[nodiscard]] RunFeatures as_run() const;
  };
  static constexpr std::array<double, feature_count> one_night = {1, 1, 1, 1, 1, 1, 1, 1, 1};
  /// What is held against a device: the mean of so many nights, of a device this much apart (a variance, in units of
  /// the nights' covariance).
  struct Beside {
    std::array<double, feature_count> nights = one_night;
    double apart = 0.0;
  };
  [[nodiscard]] double log_density(const RunFeatures& run, const Centre& centre, const Matrix& covariance,
                                   double degrees_of_freedom, const Beside& beside) const;
  [[nodiscard]] double log_like_known(const RunFeatures& run, const std::array<double, feature_count>& nights,
                                      double factor, const Centre* itself) const;
  [[nodiscard]] double log_never_seen(const RunFeatures& run) const;
  [[nodiscard]] double log_presence(const RunFeatures& run, const Centre& centre) const;
  void learn_likeness();
  void learn_nights();
  void learn_scales();
  void learn_devices();

  std::vector<KnownDevice> devices_;
  std::vector<Centre> centres_;
  Matrix nights_;  ///< covariance of one device's nights
  double nights_degrees_of_freedom_ = 0.0;
  Centre anyone_;  ///< devices in general
  Matrix anyone_covariance_;
  double never_seen_ = 0.5;  ///< before anything is looked at
  /// Of devices never seen: that they are anybody, or like a known one by each degree of likeness.
  double anybody_ = 1.0;
  std::array<double, likeness_count> alike_{};
};

}  // namespace nightwatt
