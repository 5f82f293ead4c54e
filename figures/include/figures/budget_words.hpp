// A budget's parts and warnings in words.
#pragma once

#include <span>
#include <string>
#include <string_view>

#include "measure/signal/meter_profile.hpp"
#include "measure/uncertainty/budget_part.hpp"

namespace nightwatt::figures {

[[nodiscard]] std::string_view part_name(PartKind kind);
/// `display step and meter accuracy`; of none, what scatters.
[[nodiscard]] std::string limits_text(std::span<const PartKind> limits);
/// From what it was made, in one phrase; `traits`: the meter's, whose accuracy may be a part.
[[nodiscard]] std::string part_words(const BudgetPart& part, const MeterTraits& traits);
[[nodiscard]] std::string warning_words(const BudgetWarning& warning);

}  // namespace nightwatt::figures
