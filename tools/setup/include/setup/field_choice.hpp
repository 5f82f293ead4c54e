// Which field of a meter's lines is which quantity, as people say it in words.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"
#include "setup/text_guess.hpp"

namespace nightwatt::setup {

/// How fields are given by hand.
inline constexpr std::string_view by_hand = "energy=4 or current=3:mA";

/// By its place or its name; nullptr: there is none.
[[nodiscard]] const TextField* field_named(const TextGuess& guess, std::string_view word);
/// "4", or "4 energy_wh" where the lines had names.
[[nodiscard]] std::string field_label(const TextField& field);
/// All fields with their last values, for people.
[[nodiscard]] std::string field_list(const TextGuess& guess);

/// `energy=4,current=3:mA`: quantities, the fields they are in, and units where the field's name tells none. What is
/// said takes the place of what was in `others`; `power_field` stays the power's.
[[nodiscard]] Result<void> assign_fields(const TextGuess& guess, std::string_view words, std::string_view power_field,
                                         std::vector<ChosenField>& others);

}  // namespace nightwatt::setup
