// Which of the profiles that a meter answers to is right.
#include <cstdlib>

#include "setup_choice.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

std::string_view unit_of(Quantity quantity) {
  switch (quantity) {
    case Quantity::power:
      return "W";
    case Quantity::energy:
    case Quantity::energy_export:
      return "Wh";
    case Quantity::voltage:
      return "V";
    case Quantity::current:
      return "A";
    case Quantity::frequency:
      return "Hz";
    case Quantity::apparent:
      return "VA";
    case Quantity::reactive:
      return "var";
    case Quantity::power_factor:
      return "";
  }
  return "";
}

}  // namespace

std::string value_text(const Decimal& value, const Decimal& scale, Quantity quantity) {
  const auto scaled = value.times(scale);
  const std::string_view unit = unit_of(quantity);
  return (scaled ? scaled->text() : std::string("out of range")) + (unit.empty() ? "" : " " + std::string(unit));
}

Result<ChosenMeter> choose_answer(Dialogue& talk, const FoundMeter& found) {
  std::size_t usable = 0;
  for (const setup::ProbeAnswer& answer : found.answers) {
    if (answer.readings.empty()) continue;
    std::string line = "  " + std::to_string(++usable) + "  " + text::printable(answer.profile.name) + ":";
    for (const Quantity quantity : all_quantities)
      if (const auto value = answer.readings.back().values.get(quantity))
        line += "  " + std::string(quantity_name(quantity)) + " " + value_text(*value, {1, 0}, quantity);
    talk.say(line);
  }
  const setup::ProbeAnswer& first = found.answers.front();
  const std::string where = setup::where_text(first.profile);
  if (usable == 0)
    return fail(ErrorKind::negative, "a Modbus meter answers " + where +
                                         ", but has the registers of no profile that was tried: write one from its "
                                         "manual as docs/meters.md says, and give it with --profile");
  std::size_t chosen = 1;
  auto asked = talk.ask_until("A meter answers " + where + ". Which of these is right? A number; n for none",
                              usable == 1 || !talk.asks() ? "1" : "", [&](const std::string& word) {
                                if (word == "n") {
                                  chosen = 0;
                                  return Result<void>{};
                                }
                                chosen = static_cast<std::size_t>(std::strtoul(word.c_str(), nullptr, 10));
                                if (chosen < 1 || chosen > usable)
                                  return Result<void>(fail(ErrorKind::input, "give a number of the list, or n"));
                                return Result<void>{};
                              });
  if (!asked) return tl::unexpected(asked.error());
  if (chosen == 0)
    return fail(ErrorKind::negative,
                "nothing was written: write a profile from the meter's manual as docs/meters.md "
                "says, and give it with --profile");
  const setup::ProbeAnswer& right = found.answers[chosen - 1];
  return ChosenMeter{right.profile,
                     "The profile " + right.profile.name +
                         ", which fits what nightwatt setup heard of the meter.\nThe meter's manual has the last "
                         "word on what is read, factors, steps (resolution) and accuracy.",
                     right.readings.back().values.get(Quantity::power)};
}

}  // namespace nightwatt::query
