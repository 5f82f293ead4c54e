// What a person settles of a meter that was found: which of its fields are what, or which profile is right.
#pragma once

#include <optional>
#include <string>

#include "dialogue.hpp"
#include "measure/signal/decimal.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/signal/result.hpp"
#include "setup_meter.hpp"

namespace nightwatt::query {

struct ChosenMeter {
  MeterProfile profile;
  std::string head;  ///< of the profile's file: how it came about
  std::optional<Decimal> power_w;
};

/// Of a meter that prints lines at `port`.
[[nodiscard]] Result<ChosenMeter> choose_fields(Dialogue& talk, const SetupArguments& arguments,
                                                const std::string& port, const FoundMeter& found);
/// Of a meter that answers.
[[nodiscard]] Result<ChosenMeter> choose_answer(Dialogue& talk, const FoundMeter& found);
/// A reading with its unit.
[[nodiscard]] std::string value_text(const Decimal& value, const Decimal& scale, Quantity quantity);

}  // namespace nightwatt::query
