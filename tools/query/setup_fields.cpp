// Which fields of a text line are what.
#include <algorithm>
#include <memory>

#include "context.hpp"
#include "drivers/protocols.hpp"
#include "figures/figures.hpp"
#include "setup/field_choice.hpp"
#include "setup/files.hpp"
#include "setup/port_bytes.hpp"
#include "setup_choice.hpp"
#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::query {
namespace {

constexpr std::size_t kept_bytes = 4096;  // of what the port says while one reads the table: a few dozen lines

/// The fields of a text line with their last values, drawn anew as lines come.
class FieldTable {
 public:
  FieldTable(setup::TextGuess guess, std::unique_ptr<drivers::OpenPort> port)
      : guess_(std::move(guess)), port_(std::move(port)) {}

  Frame frame() {
    refresh();
    Frame frame;
    std::size_t name_width = 5, value_width = 8;
    for (const setup::TextField& field : guess_.fields) {
      name_width = std::max(name_width, text::display_width(setup::field_label(field)));
      value_width = std::max(value_width, field.values.back().text().size());
    }
    FrameLine heading;
    add(heading, "  " + text::pad_right("field", name_width) + "  " + text::pad_left("now", value_width) + "  probably",
        Tone::strong);
    frame.push_back(heading);
    for (const setup::TextField& field : guess_.fields) {
      FrameLine line;
      add(line, "  " + text::pad_right(setup::field_label(field), name_width) + "  " +
                    text::pad_left(field.values.back().text(), value_width) + "  ");
      if (field.probably) add(line, std::string(quantity_name(*field.probably)), Tone::green);
      frame.push_back(line);
    }
    return frame;
  }

  [[nodiscard]] const setup::TextGuess& guess() const { return guess_; }

 private:
  void refresh() {
    if (!port_) return;
    (void)setup::listen(*port_, Duration{1000}, bytes_, [](const std::string&) { return false; });
    if (bytes_.size() > kept_bytes) bytes_.erase(0, bytes_.size() - kept_bytes);
    const auto lines = setup::whole_lines(bytes_);
    if (lines.empty()) return;
    const auto fresh = setup::guess_text(lines, guess_.settings);
    if (!fresh) return;
    for (setup::TextField& field : guess_.fields)
      for (const setup::TextField& now : fresh->fields)
        if (now.field == field.field) field.values = now.values;
  }

  setup::TextGuess guess_;
  std::unique_ptr<drivers::OpenPort> port_;
  std::string bytes_;
};

class FieldChoice {
 public:
  FieldChoice(Dialogue& talk, const SetupArguments& arguments) : talk_(talk), arguments_(arguments) {}

  Result<ChosenMeter> choose(const std::string& port, const FoundMeter& found) {
    auto opened = drivers::open_port(port, found.line);
    FieldTable table(*found.text, opened ? std::make_unique<drivers::OpenPort>(std::move(*opened)) : nullptr);
    say_form(found);
    if (auto power = choose_power(table); !power) return tl::unexpected(power.error());
    if (auto others = choose_others(table); !others) return tl::unexpected(others.error());
    if (auto accuracy = ask_accuracy(); !accuracy) return tl::unexpected(accuracy.error());
    return ChosenMeter{setup::text_profile(found.text->settings, found.line, fields_),
                       "A meter that prints lines, found by nightwatt setup.\nThe manual has the last word on its "
                       "units, its display's step (resolution) and its accuracy.",
                       power_w_};
  }

 private:
  void say_form(const FoundMeter& found) {
    const TextLineSettings& settings = found.text->settings;
    const std::string form = settings.form == TextForm::csv         ? "columns"
                             : settings.form == TextForm::key_value ? "named values"
                                                                    : "JSON objects";
    talk_.say("It prints lines of " + form + (settings.checksum == TextChecksum::xor_nmea ? " with a check" : "") +
              " at " + std::to_string(found.line.baud) + " baud:\n");
  }

  Result<void> choose_power(FieldTable& table) {
    std::string suggestion;
    for (const setup::TextField& field : table.guess().fields)
      if (field.probably == Quantity::power) suggestion = field.field;
    const std::string question = "\nWhich field is the power?";
    const setup::TextField* power = nullptr;
    if (arguments_.field) {
      power = setup::field_named(table.guess(), *arguments_.field);
      if (power == nullptr)
        return fail(ErrorKind::negative, "there is no number in a field " + text::quoted(*arguments_.field) +
                                             "; there are: " + setup::field_list(table.guess()));
    }
    for (int i = 0; power == nullptr && i < 20; ++i) {
      const auto word = table_question(table, question, suggestion);
      if (!word) return tl::unexpected(word.error());
      power = setup::field_named(table.guess(), *word);
      if (power == nullptr && !talk_.asks())
        return fail(ErrorKind::input,
                    "say which field is the power with --field; there are: " + setup::field_list(table.guess()));
      if (power == nullptr) talk_.say("Give one of the names in the first column.");
    }
    if (power == nullptr) return fail(ErrorKind::negative, "no power was chosen: nothing was written");
    return choose_unit(*power);
  }

  Result<std::string> table_question(FieldTable& table, const std::string& question, const std::string& suggestion) {
    return talk_.ask_below([&] { return table.frame(); }, question, suggestion);
  }

  Result<void> choose_unit(const setup::TextField& field) {
    setup::ChosenField power{Quantity::power, field.field, field.scale, {}, {}};
    const Decimal last = field.values.back();
    if (!field.says_unit) {
      const std::string guess = arguments_.unit                 ? *arguments_.unit
                                : field.scale == Decimal{1, -3} ? "mW"
                                : field.scale == Decimal{1, 3}  ? "kW"
                                                                : "W";
      if (arguments_.unit)
        power.scale = *setup::scale_from(guess);
      else if (auto asked =
                   talk_.ask_until("In which unit? W, mW, kW, or the factor to W", guess,
                                   [&](const std::string& word) {
                                     const auto scale = setup::scale_from(word);
                                     if (!scale)
                                       return Result<void>(fail(ErrorKind::input, "give W, mW, kW or a number"));
                                     power.scale = *scale;
                                     return Result<void>{};
                                   });
               !asked)
        return asked;
    }
    talk_.say("The meter says " + value_text(last, power.scale, Quantity::power) +
              " at the moment. If its display says another figure, the field or the unit is wrong.");
    power_w_ = last.times(power.scale);
    power.resolution = setup::shown_step(field.values, power.scale);
    fields_.push_back(std::move(power));
    return {};
  }

  Result<void> choose_others(const FieldTable& table) {
    if (arguments_.power_only) return {};
    std::string list;
    std::vector<setup::ChosenField> others;
    for (const setup::TextField& field : table.guess().fields) {
      if (!field.probably || *field.probably == Quantity::power || field.field == fields_.front().field) continue;
      list += (list.empty() ? "" : ", ") + std::string(quantity_name(*field.probably)) + " " +
              value_text(field.values.back(), field.scale, *field.probably);
      others.push_back({*field.probably, field.field, field.scale, setup::shown_step(field.values, field.scale), {}});
    }
    const auto assign = [&](const std::string& words) {
      return setup::assign_fields(table.guess(), words, fields_.front().field, others);
    };
    if (arguments_.also) {
      if (auto assigned = assign(*arguments_.also); !assigned) return assigned;
    } else if (others.size() + 1 < table.guess().fields.size() || !others.empty()) {
      const std::string question =
          others.empty() ? "Record other fields too, such as " + std::string(setup::by_hand)
                         : "Record these too: " + list + "? y, n, or others such as " + std::string(setup::by_hand);
      auto asked = talk_.ask_until(question, others.empty() ? "n" : "y", [&](const std::string& word) {
        if (word == "n" || word == "no") {
          others.clear();
          return Result<void>{};
        }
        return word == "y" || word == "yes" ? Result<void>{} : assign(word);
      });
      if (!asked) return asked;
    }
    fields_.insert(fields_.end(), others.begin(), others.end());
    return {};
  }

  /// What only display and manual know.
  Result<void> ask_accuracy() {
    setup::ChosenField& power = fields_.front();
    if (arguments_.resolution) {
      power.resolution = number_from("--resolution", *arguments_.resolution).value();
    } else {
      const std::string shown = power.resolution ? exact_text(*power.resolution) : "";
      auto asked = talk_.ask_until("The step of its power readings in W", shown, [&](const std::string& word) {
        if (word.empty()) return Result<void>{};
        const auto step = positive_from("the step", word);
        if (!step) return Result<void>(tl::unexpected(step.error()));
        power.resolution = *step;
        return Result<void>{};
      });
      if (!asked) return asked;
    }
    if (arguments_.accuracy) {
      power.accuracy = *Accuracy::parse(*arguments_.accuracy);
      return {};
    }
    return talk_.ask_until("Its accuracy by the manual, such as \"1% + 0.05W\" or \"class B\"; Enter where not known",
                           "", [&](const std::string& word) {
                             if (word.empty()) return Result<void>{};
                             auto accuracy = Accuracy::parse(word);
                             if (!accuracy) return Result<void>(tl::unexpected(accuracy.error()));
                             power.accuracy = *accuracy;
                             return Result<void>{};
                           });
  }

  Dialogue& talk_;
  const SetupArguments& arguments_;
  std::vector<setup::ChosenField> fields_;
  std::optional<Decimal> power_w_;
};

}  // namespace

Result<ChosenMeter> choose_fields(Dialogue& talk, const SetupArguments& arguments, const std::string& port,
                                  const FoundMeter& found) {
  return FieldChoice(talk, arguments).choose(port, found);
}

}  // namespace nightwatt::query
