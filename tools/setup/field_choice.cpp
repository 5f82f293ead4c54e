#include "setup/field_choice.hpp"

#include <algorithm>

#include "text/printable.hpp"

namespace nightwatt::setup {

namespace {

/// `energy=4` or `current=3:mA`.
Result<ChosenField> choice_from(const TextGuess& guess, const std::string& word) {
  const std::size_t equals = word.find('=');
  const auto quantity = quantity_from_name(word.substr(0, equals));
  if (equals == std::string::npos || !quantity || *quantity == Quantity::power)
    return fail(ErrorKind::input,
                "give a quantity and its field, such as " + std::string(by_hand) + ", not " + text::quoted(word));
  const std::string place = word.substr(equals + 1);
  const std::size_t colon = place.rfind(':');
  const TextField* field = field_named(guess, place);
  std::optional<Decimal> scale;
  if (field == nullptr && colon != std::string::npos) {
    field = field_named(guess, place.substr(0, colon));
    scale = scale_from(place.substr(colon + 1));
    if (!scale) return fail(ErrorKind::input, text::quoted(place.substr(colon + 1)) + " is no unit and no factor");
  }
  if (field == nullptr)
    return fail(ErrorKind::input,
                "there is no number in a field " + text::quoted(place) + "; there are: " + field_list(guess));
  if (!scale) scale = field->probably == quantity ? field->scale : Decimal{1, 0};
  return ChosenField{*quantity, field->field, *scale, shown_step(field->values, *scale), {}};
}

}  // namespace

const TextField* field_named(const TextGuess& guess, std::string_view word) {
  const auto found = std::find_if(guess.fields.begin(), guess.fields.end(),
                                  [&](const TextField& field) { return field.field == word || field.name == word; });
  return found == guess.fields.end() ? nullptr : &*found;
}

std::string field_label(const TextField& field) {
  return text::printable(field.name == field.field ? field.field : field.field + " " + field.name);
}

std::string field_list(const TextGuess& guess) {
  std::string list;
  for (const TextField& field : guess.fields)
    list += (list.empty() ? "" : ", ") + field_label(field) + " = " + field.values.back().text();
  return list;
}

Result<void> assign_fields(const TextGuess& guess, std::string_view words, std::string_view power_field,
                           std::vector<ChosenField>& others) {
  std::vector<ChosenField> assigned = others;
  for (std::size_t at = 0; at < words.size();) {
    const std::size_t end = std::min(words.find(',', at), words.size());
    std::string word(words.substr(at, end - at));
    word.erase(0, std::min(word.find_first_not_of(' '), word.size()));
    at = end + 1;
    const auto choice = choice_from(guess, word);
    if (!choice) return tl::unexpected(choice.error());
    if (choice->field == power_field)
      return fail(ErrorKind::input, "the field " + text::quoted(choice->field) + " is the power");
    std::erase_if(assigned, [&](const ChosenField& other) {
      return other.quantity == choice->quantity || other.field == choice->field;
    });
    assigned.push_back(*choice);
  }
  others = std::move(assigned);
  return {};
}

}  // namespace nightwatt::setup
