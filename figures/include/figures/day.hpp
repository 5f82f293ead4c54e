// What each device of a table takes on a day of so many hours idle, at work and on standby, what that costs, and how
// long a battery feeds it.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "figures/device_table.hpp"
#include "measure/run/estimate.hpp"

namespace nightwatt::figures {

/// Hours of a day; what is left to 24 is unplugged and takes nothing.
struct Day {
  double idle_h = 0.0, load_h = 0.0, standby_h = 0.0;
};
/// `idle=20h,load=4h`: of idle, load and standby, each once, hours of a day, the h left out or not. ErrorKind::input.
[[nodiscard]] Result<Day> day_from(std::string_view text);

/// A battery as its label gives it, `100Ah 12V` or `1200Wh`, in Wh. ErrorKind::input.
[[nodiscard]] Result<double> battery_from(std::string_view text);

struct DayRequest {
  Day day;
  std::optional<double> tariff;      ///< a kWh
  std::optional<double> battery_wh;  ///< of its label; half of it is used, nine tenths of that arrive (BatteryNeed)
};
struct DayFigures {
  std::optional<Figure> energy_wh;    ///< a day; nothing where a level is missing
  std::optional<Figure> cost_a_year;  ///< the interval of the powers alone
  std::optional<double> lasts_h;
};
/// Idle with what the device does of itself meanwhile and load as what it comes down to, where the row has them.
[[nodiscard]] DayFigures day_of(const DeviceRow& row, const DayRequest& request);

}  // namespace nightwatt::figures
