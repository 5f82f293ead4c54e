#include "figures/budget_words.hpp"

#include <cmath>

#include "measure/signal/advice.hpp"
#include "measure/signal/digits.hpp"

namespace nightwatt::figures {
namespace {

std::string digits(double value, int count = 3) {
  return digits_of(value, std::chars_format::general, count);
}

std::string whole(double value) {
  return std::to_string(std::llround(value));
}

std::string readings_words(double readings, double independent) {
  return whole(readings) + " readings, worth " + digits(independent, 4) + " independent ones";
}

std::string departures_words(double count) {
  return whole(count) + (count == 1.0 ? " departure" : " departures");
}

std::string basis_words(const BudgetPart& part, const MeterTraits& traits) {
  const auto [first, second, third] = part.numbers;
  switch (part.basis) {
    case PartBasis::none:
      return "";
    case PartBasis::whole_cycles:
      return whole(first) + " whole cycles";
    case PartBasis::readings:
      return readings_words(first, second);
    case PartBasis::readings_behind_step:
      return readings_words(first, second) + ", most likely level behind a step of " + digits(third) + " W";
    case PartBasis::undecided_counts:
      return "in the display step: the counts do not tell level and noise apart";
    case PartBasis::creeping_counts:
      return "in the display step: the level creeps from count to count";
    case PartBasis::told_by_counts:
      return "in the statistics: the counts tell level and noise apart";
    case PartBasis::half_step:
      return "half a step of " + digits(first) + " W";
    case PartBasis::times_not_known:
      return "how often each count of " + digits(first) + " W was shown is not known";
    case PartBasis::averaged_out:
      return "step " + digits(first) + " W, averaged out by noise of " + digits(second) + " W";
    case PartBasis::whole_step:
      return "all that a step of " + digits(first) + " W leaves open";
    case PartBasis::two_counts:
      return "what two counts of " + digits(first) + " W leave open, to 95 %";
    case PartBasis::other_noise:
      return "behind a step of " + digits(first) + " W, by noise that is not Gaussian";
    case PartBasis::broken_counts:
      return "the broken counts at both ends of a drift over " + whole(first) + " counts";
    case PartBasis::repeats:
      return "repeats as of a display that moves " + digits(first, 2) + " of a step past a count's edge";
    case PartBasis::counter_leaves_both:
      return "the energy counter leaves both open";
    case PartBasis::counter_ticks:
      return whole(first) + " ticks, weight " + digits(second) + " %";
    case PartBasis::contradiction:
      return "the counter and the power readings contradict each other";
    case PartBasis::slope:
      return digits(first) + " W/h; the level is that of the middle of the time";
    case PartBasis::promise:
      return traits.accuracy ? traits.accuracy->text() : "";
    case PartBasis::correction:
      return traits.correction ? traits.correction->words() + ", in place of the promise" : "";
    case PartBasis::idle_levels:
      return "of the idle levels, each for its time";
    case PartBasis::departures_by_cycles:
      return departures_words(first) + "; whole cycles scatter by " + whole(second) + " Ws";
    case PartBasis::few_departures:
      return departures_words(first) + ", too few to tell how regular they are";
    case PartBasis::short_excursions:
      return "shorter than a segment, counted by chance";
    case PartBasis::same_all_the_time:
      return "the same all the time";
    case PartBasis::spread_of_segments:
      return "how far " + whole(first) + " segments lie apart, beyond what each is unsure of";
  }
  return "";
}

}  // namespace

std::string_view part_name(PartKind kind) {
  switch (kind) {
    case PartKind::statistics:
      return "statistics";
    case PartKind::display_step:
      return "display step";
    case PartKind::sticking_display:
      return "sticking display";
    case PartKind::dithering_display:
      return "dithering display";
    case PartKind::display_rule:
      return "rounds or cuts off";
    case PartKind::drift:
      return "drift";
    case PartKind::energy_counter:
      return "energy counter";
    case PartKind::disagreement:
      return "disagreement";
    case PartKind::departures:
      return "departures";
    case PartKind::excursions:
      return "excursions";
    case PartKind::between_segments:
      return "between segments";
    case PartKind::meter_accuracy:
      return "meter accuracy";
  }
  return "";
}

std::string limits_text(std::span<const PartKind> limits) {
  std::string text;
  for (const PartKind kind : limits) text += (text.empty() ? "" : " and ") + std::string(part_name(kind));
  return text.empty() ? "scatter of the readings" : text;
}

std::string part_words(const BudgetPart& part, const MeterTraits& traits) {
  const std::string words = basis_words(part, traits);
  return part.of_segments > 1 ? "longest of " + std::to_string(part.of_segments) + " segments: " + words : words;
}

std::string warning_words(const BudgetWarning& warning) {
  const auto [first, second] = warning.numbers;
  switch (warning.kind) {
    case WarningKind::fewer_than_three_readings:
      return "fewer than three readings";
    case WarningKind::accuracy_not_known:
      return with_advice("the meter's accuracy is not known: the meter's own error is not in the ±",
                         "give it as accuracy in the meter's profile, or with import --accuracy");
    case WarningKind::class_below_minimum_current:
      return with_advice(
          "the meter's accuracy class holds only above its minimum current; below that the true error may exceed the ±",
          "find the minimum current in its data sheet, or check it with nightwatt calibrate");
    case WarningKind::step_not_known:
      return with_advice("the display's step is not known: " + digits(first) + " W is taken from the digits shown",
                         "give it as resolution in the meter's profile, or with import --resolution");
    case WarningKind::counter_moved_too_little:
      return "the energy counter moved too little to help with this level";
    case WarningKind::counter_disagrees:
      return with_advice("the energy counter says " + digits(first, 5) + " W, the power readings " + digits(second, 5) +
                             " W: more apart than their uncertainties, so one of them is wrong",
                         "compare both with the meter's display; correct unit or scale in its profile, or the clock");
    case WarningKind::counter_says_cut_off:
      return with_advice(
          "the energy counter says that the display cuts digits off: levels that it does not help are half a step low",
          "say display = \"truncates\" in the meter's profile, or import with --truncates");
  }
  return "";
}

}  // namespace nightwatt::figures
