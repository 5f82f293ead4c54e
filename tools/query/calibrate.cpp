#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "context.hpp"
#include "drivers/protocols.hpp"
#include "figures/calibration.hpp"
#include "measure/signal/time_text.hpp"
#include "profile_edit.hpp"
#include "text/printable.hpp"
#include "text/width.hpp"
#include "whole_file.hpp"

namespace nightwatt::query {
namespace {

constexpr double usual_valid_days = 365.0;  // common practice, no source
constexpr double longest_valid_days = 3653.0;

/// `60.0 ± 0.3 W`, `60.0 +- 0.3 W`, the unit left out or not.
Result<KnownLoad> known_from(std::string_view word, const std::string& run) {
  const auto wrong = [&] {
    return fail(ErrorKind::input, "--known is " + text::quoted(word) + "; write it as \"60.0 ± 0.3 W\"");
  };
  std::string text(word);
  for (const std::string_view sign : {"±", "+-", "+/-"})
    if (const std::size_t at = text.find(sign); at != std::string::npos) {
      const auto number = [](std::string part) {
        std::erase_if(part, [](char c) { return c == ' ' || c == 'W'; });
        return Decimal::parse(part);
      };
      const auto power = number(text.substr(0, at)), uncertainty = number(text.substr(at + sign.size()));
      if (!power || !uncertainty || power->value() <= 0.0 || uncertainty->value() <= 0.0) return wrong();
      return KnownLoad{power->value(), uncertainty->value(), run};
    }
  return wrong();
}

Result<PairedLevels> levels_for(const storage::StoreReader& store, const CalibrateArguments& arguments) {
  if (arguments.against.has_value() == !arguments.known.empty())
    return fail(ErrorKind::input, "calibrate needs --against METER or --known POWER, and not both");
  if (arguments.runs.empty())
    return fail(ErrorKind::input, "calibrate needs --run RUN: which runs to compare; nightwatt runs lists them");
  if (arguments.against) return paired_levels(store, arguments.meter, *arguments.against, arguments.runs);
  if (arguments.known.size() != arguments.runs.size())
    return fail(ErrorKind::input, "there are " + std::to_string(arguments.known.size()) + " --known and " +
                                      std::to_string(arguments.runs.size()) + " --run; give one run for each load");
  std::vector<KnownLoad> loads;
  for (std::size_t i = 0; i < arguments.known.size(); ++i) {
    auto load = known_from(arguments.known[i], arguments.runs[i]);
    if (!load) return tl::unexpected(load.error());
    loads.push_back(std::move(*load));
  }
  return paired_levels(store, arguments.meter, loads);
}

std::string conformity_word(Conformity permissible_error) {
  switch (permissible_error) {
    case Conformity::kept:
      return "kept";
    case Conformity::broken:
      return "not kept";
    case Conformity::cannot_tell:
      return "cannot be told";
  }
  return "";
}

std::string curve_text(const Correction& correction) {
  std::string text = "true = " + exact_text(std::round(correction.coefficients[0] * 1e4) / 1e4) + " W + " +
                     exact_text(std::round(correction.coefficients[1] * 1e6) / 1e6) + " x shown";
  if (correction.coefficients.size() > 2)
    text += " + " + exact_text(std::round(correction.coefficients[2] * 1e9) / 1e9) + " x shown^2";
  return text;
}

std::string signed_figure(double value, double uncertainty) {
  return (value < 0.0 ? "- " : "+ ") + figure_text({std::abs(value), uncertainty}, "W");
}

void write_people(Context& context, const CalibrateArguments& arguments, const Calibration& made,
                  const PairedLevels& paired) {
  const Correction& c = made.correction;
  context.out.write(toned(context.style, Tone::strong, text::printable(arguments.meter)) + " against " +
                    (arguments.against ? text::printable(*arguments.against) : "known loads") + ", " +
                    std::to_string(made.points.size()) + " levels\n\n");
  Table table;
  for (const char* title : {"shown, W", "reference, W", "error", "corrected, W", "left, W", "promise"})
    table.column(title, Table::Align::right);
  for (const CalibrationPoint& point : made.points)
    table.row({{number_text(point.level.shown_w, "")},
               {number_text(point.level.reference_w, "")},
               {signed_figure(point.error_w, point.error_uncertainty_w)},
               {figure_text({point.corrected_w, 2.0 * c.standard_deviation_at(point.level.shown_w)}, "")},
               {number_text(point.residual_w, "")},
               {point.permissible_error ? conformity_word(*point.permissible_error) : std::string(),
                point.permissible_error == Conformity::broken ? Tone::red : Tone::plain}});
  table.write(context.out, context.style);
  context.out.write("\n  " + curve_text(c) + "\n  from " + number_text(c.from_w, "") + " to " +
                    number_text(c.to_w, "W") + (made.bent ? ", bent: the square earned its place" : "") + "\n");
  for (const double shown : {c.from_w, 0.5 * (c.from_w + c.to_w), c.to_w})
    context.out.write("  at " + text::pad_left(number_text(shown, "W"), 10) + "  " +
                      signed_figure(c.at(shown) - shown, 2.0 * c.standard_deviation_at(shown)) + "\n");
  std::string fit = "  chi-squared " + number_text(made.chi_squared, "") + " on " +
                    std::to_string(static_cast<long>(made.degrees_of_freedom)) + " degrees of freedom";
  if (made.degrees_of_freedom < 1.0) fit += ": as many levels as unknowns, nothing is left to check the line with";
  if (c.scatter_w > 0.0) fit += "; the levels lie about the line by " + number_text(c.scatter_w, "W") + ", counted";
  context.out.write(fit + "\n");
  if (made.permissible_error && paired.permissible_error)
    context.out.write("  the maker's promise, " + paired.permissible_error->text() + ": " +
                      conformity_word(*made.permissible_error) + "\n");
  for (const std::string& warning : paired.warnings)
    context.out.write("  " + toned(context.style, Tone::yellow, "warning:") + " " + text::printable(warning) + "\n");
}

void write_json(Context& context, const CalibrateArguments& arguments, const Calibration& made,
                const PairedLevels& paired, const std::optional<std::string>& written) {
  const Correction& c = made.correction;
  JsonWriter json(context.out);
  json.begin_document().field("meter", arguments.meter).field("against", arguments.against);
  json.key("coefficients").begin_array();
  for (const double number : c.coefficients) json.value(number);
  json.end_array().key("covariance").begin_array();
  for (const double number : c.covariance) json.value(number);
  json.end_array().field("scatter_w", c.scatter_w).field("from_w", c.from_w).field("to_w", c.to_w);
  json.field("made", c.made).field("until", c.until).field("chi_squared", made.chi_squared);
  json.field("degrees_of_freedom", made.degrees_of_freedom).field("bent", made.bent).key("promise");
  made.permissible_error ? json.value(conformity_word(*made.permissible_error)) : json.null();
  json.key("levels").begin_array();
  for (const CalibrationPoint& point : made.points) {
    json.line_break().begin_object().field("shown_w", point.level.shown_w);
    json.field("reference_w", point.level.reference_w).field("error_w", point.error_w);
    json.field("error_uncertainty_w", point.error_uncertainty_w).field("corrected_w", point.corrected_w);
    json.field("corrected_uncertainty_w", 2.0 * c.standard_deviation_at(point.level.shown_w));
    json.field("residual_w", point.residual_w).field("promised_w", point.permissible_error_w).key("promise");
    point.permissible_error ? json.value(conformity_word(*point.permissible_error)) : json.null();
    json.end_object();
  }
  json.end_array().field("written", written).key("warnings").begin_array();
  for (const std::string& warning : paired.warnings) json.value(warning);
  json.end_array().end_object();
  context.out.write("\n");
}

/// The file it was put into.
Result<std::string> write_profile(Context& context, const std::string& meter, const Correction& correction) {
  const auto settings = context.configuration();
  if (!settings) return tl::unexpected(settings.error());
  const config::MeterConfig* found = nullptr;
  if (*settings != nullptr)
    for (const config::MeterConfig& one : (*settings)->meters)
      if (one.name == meter) found = &one;
  if (found == nullptr)
    return fail(ErrorKind::input, "--write: the configuration has no meter " + text::quoted(meter) +
                                      ", so there is no profile to write to; give --config");
  for (const config::MeterConfig& one : (*settings)->meters)
    if (&one != found && one.profile_file == found->profile_file)
      return fail(ErrorKind::input, "--write: meter " + text::quoted(one.name) + " uses the same profile, " +
                                        found->profile_file +
                                        "; a correction is one meter's own: give this one a copy of the file");
  if (::access(found->profile_file.c_str(), W_OK) != 0)
    return fail(ErrorKind::unusable, found->profile_file +
                                         ": may not be written; copy it beside the configuration, "
                                         "name the copy there, and calibrate again");
  std::ifstream file(found->profile_file, std::ios::binary);
  std::ostringstream bytes;
  bytes << file.rdbuf();
  const auto edited = with_correction(bytes.str(), correction);
  if (!edited) return tl::unexpected(Error{edited.error().kind, found->profile_file + ": " + edited.error().message});
  // Proved in a file of its own first: the service must never find a profile that it cannot read.
  const std::string trial = found->profile_file + ".trial";
  if (auto tried = write_whole_file(trial, *edited); !tried) return tl::unexpected(tried.error());
  const auto read = config::load_profile(trial, "", drivers::protocol_readers());
  ::unlink(trial.c_str());
  if (!read) return tl::unexpected(read.error());
  if (auto done = write_whole_file(found->profile_file, *edited); !done) return tl::unexpected(done.error());
  return found->profile_file;
}

}  // namespace

Outcome run(Context& context, const CalibrateArguments& arguments) {
  const auto days = maybe_positive("--valid-days", arguments.valid_days);
  if (!days) return tl::unexpected(days.error());
  if (days->value_or(1.0) > longest_valid_days)
    return fail(ErrorKind::input, "--valid-days is more than ten years; no meter stays as it is for so long");
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto paired = levels_for(*store, arguments);
  if (!paired) return tl::unexpected(paired.error());
  auto made = calibrate(paired->levels, paired->trust, paired->permissible_error);
  if (!made) return tl::unexpected(made.error());
  made->correction.made = context.now();
  made->correction.until = context.now() + to_duration({days->value_or(usual_valid_days) * 86'400.0});
  std::optional<std::string> written;
  if (arguments.write) {
    auto file = write_profile(context, arguments.meter, made->correction);
    if (!file) return tl::unexpected(file.error());
    written = std::move(*file);
  }
  if (context.json) {
    write_json(context, arguments, *made, *paired, written);
    return 0;
  }
  write_people(context, arguments, *made, *paired);
  if (written)
    context.out.write(
        "\nWritten to " + text::printable(*written) +
        "; the service takes it for new runs once it reads its configuration again (SIGHUP or restart).\n");
  else
    context.out.write("\nAdd --write to put it into the meter's profile. Earlier runs stay as they are.\n");
  return 0;
}

}  // namespace nightwatt::query
