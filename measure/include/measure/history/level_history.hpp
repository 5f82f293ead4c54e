// Whether a device's level moved from night to night: steps, creeps and nights that stand apart, told with few false
// alarms over the whole of its history.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace nightwatt {

/// One night's figure. What all nights of one meter share, its promise, is left out: it is the same before and after.
struct NightLevel {
  double day = 0.0;  ///< any zero, rising
  double level_w = 0.0;
  double random_w = 0.0;              ///< standard uncertainty by chance
  double display_w = 0.0;             ///< standard, what the display leaves: it need not be the same at another level
  std::optional<double> temperature;  ///< of the room; used where every night has one and they differ
};

enum class ChangeShape : std::uint8_t { step, creep, apart };
[[nodiscard]] std::string_view change_shape_name(ChangeShape shape);

/// Something that is not night-to-night scatter. Indices are of the nights given.
struct LevelChange {
  ChangeShape shape = ChangeShape::step;
  std::size_t from = 0;  ///< last night before a step; first of a creep; first that stands apart
  std::size_t to = 0;    ///< first night after a step; last of a creep; last that stands apart
  /// Of a step: the earliest and latest nights that `from` and `to` may be, 95 %; else `from` and `to`.
  std::size_t earliest = 0, latest = 0;
  double before_w = 0.0, after_w = 0.0;
  double change_w = 0.0;
  double uncertainty_w = 0.0;  ///< expanded, k = 2
  double w_per_day = 0.0;      ///< of a creep
  double false_share = 0.0;    ///< how often scatter alone would look like this somewhere in such a history
  bool shape_sure = true;      ///< a step and a creep are at odds of more than 20 to 1
};

/// A slope with its interval.
struct Slope {
  double value = 0.0, uncertainty = 0.0;  ///< k = 2
};

struct HistoryVerdict {
  bool judged = false;  ///< false: too few nights to know how much they scatter by themselves
  std::vector<LevelChange> changes;
  double between_w = 0.0;             ///< standard deviation between nights beyond their own chance, changes left out
  std::optional<Slope> w_per_degree;  ///< where temperatures were given and differ
  /// Last night less the mean of those before since the last change, what they share left out; of two nights or more.
  std::optional<double> last_w;
  double last_uncertainty_w = 0.0;  ///< k = 2; below `least_nights` of chance and display alone
};

/// Fewer nights than this do not tell their own scatter.
inline constexpr std::size_t least_nights = 4;
/// The longest history that is judged at once; of a longer one the newest nights.
inline constexpr std::size_t most_nights = 730;

struct HistorySettings {
  /// A history without a change is said to have one at most this often. Several figures of one device share it.
  double false_alarms = 1.0 / 200.0;
  /// Standard uncertainty of the meter's gain: a change is wrong by that share of itself.
  double gain_standard_deviation = 0.0;
};

[[nodiscard]] HistoryVerdict judge_history(std::span<const NightLevel> nights, const HistorySettings& settings);

/// Whether the newest night brought to light a change that was not found without it; told when its run ends.
[[nodiscard]] std::optional<LevelChange> newly_moved(std::span<const NightLevel> nights,
                                                     const HistorySettings& settings);

}  // namespace nightwatt
