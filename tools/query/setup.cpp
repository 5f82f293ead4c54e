#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <memory>

#include "commands.hpp"
#include "dialogue.hpp"
#include "drivers/protocols.hpp"
#include "figures/figures.hpp"
#include "service.hpp"
#include "setup/field_choice.hpp"
#include "setup/files.hpp"
#include "setup/port_bytes.hpp"
#include "setup_meter.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::query {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kept_bytes = 4096;  // of what the port says while one reads the table: a few dozen lines

constexpr std::string_view caution =
    "The meter's serial or USB side must be isolated from the mains by the meter itself; a bare metering board whose\n"
    "serial port is at mains potential is never connected to a computer. Use the meter as its maker says.\n";

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

std::string value_text(const Decimal& value, const Decimal& scale, Quantity quantity) {
  const auto scaled = value.times(scale);
  const std::string_view unit = unit_of(quantity);
  return (scaled ? scaled->text() : std::string("out of range")) + (unit.empty() ? "" : " " + std::string(unit));
}

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

class Setup {
 public:
  Setup(Context& context, const SetupArguments& arguments)
      : context_(context),
        arguments_(arguments),
        talk_(quiet() ? unheard_ : context.out, context.style, STDIN_FILENO, asks()) {}

  Outcome run() {
    if (auto checked = check_arguments(); !checked) return tl::unexpected(checked.error());
    if (talk_.asks()) talk_.say(caution);
    if (auto chosen = choose_port(); !chosen) return tl::unexpected(chosen.error());
    if (auto free = refuse_recorded(); !free) return tl::unexpected(free.error());
    const auto found = find_meter(talk_, port_, arguments_);
    if (!found) return tl::unexpected(found.error());
    auto chosen = found->text ? choose_fields(*found) : choose_answer(*found);
    if (!chosen) return tl::unexpected(chosen.error());
    if (auto placed = choose_folder(); !placed) return tl::unexpected(placed.error());
    if (auto named = choose_name(); !named) return tl::unexpected(named.error());
    return write();
  }

 private:
  [[nodiscard]] bool quiet() const { return context_.json; }
  [[nodiscard]] bool asks() const { return !arguments_.yes && !context_.json && ::isatty(STDIN_FILENO) == 1; }

  Result<void> check_arguments() {
    if (!asks() && !arguments_.yes)
      return fail(ErrorKind::input,
                  "there is no terminal to ask on: give --yes, and by options what should not be guessed");
    if (arguments_.add && arguments_.overwrite)
      return fail(ErrorKind::input,
                  "--add keeps the config that is there and --overwrite does not: give one of the two");
    if (arguments_.baud) {
      const auto baud = number_from("--baud", *arguments_.baud);
      if (!baud) return tl::unexpected(baud.error());
      if (*baud < 50 || *baud > 4e6 || *baud != std::floor(*baud))
        return fail(ErrorKind::input, "--baud is " + text::quoted(*arguments_.baud) + "; give a speed such as 9600");
    }
    if (arguments_.accuracy)
      if (const auto accuracy = Accuracy::parse(*arguments_.accuracy); !accuracy)
        return fail(ErrorKind::input, "--accuracy: " + accuracy.error().message);
    if (const auto step = maybe_positive("--resolution", arguments_.resolution); !step)
      return tl::unexpected(step.error());
    if (arguments_.unit && !setup::scale_from(*arguments_.unit))
      return fail(ErrorKind::input,
                  "--unit is " + text::quoted(*arguments_.unit) + "; give W, mW, kW or a factor to W");
    if (!arguments_.name) return {};
    folder_ = arguments_.out.value_or(usual_folder());
    if (arguments_.add && (arguments_.out || !asks()) && setup::is_taken(folder_, *arguments_.name))
      return fail(ErrorKind::input, "--name: " + name_is_taken(*arguments_.name));
    return text::check_text("--name", *arguments_.name, setup::longest_name);
  }

  Result<void> choose_port() {
    if (arguments_.port) {
      port_ = *arguments_.port;
      return {};
    }
    const auto ports = drivers::list_ports();
    if (!talk_.asks() && ports.size() != 1)
      return fail(ErrorKind::input, "say which port with --port; nightwatt ports lists them");
    for (std::size_t i = 0; i < ports.size(); ++i)
      talk_.say("  " + std::to_string(i + 1) + "  " + text::printable(ports[i].path) + "  " +
                text::printable(ports[i].description));
    if (ports.empty()) talk_.say("No serial port is there. Plug the meter's adapter in, or give a port's path.");
    return talk_.ask_until("Which port? A number or a path", ports.empty() ? "" : "1", [&](const std::string& word) {
      const auto number = static_cast<std::size_t>(std::strtoul(word.c_str(), nullptr, 10));
      if (number >= 1 && number <= ports.size() && word.find('/') == std::string::npos) {
        const drivers::PortInfo& port = ports[number - 1];
        port_ = port.by_id.empty() ? port.path : port.by_id;
        return Result<void>{};
      }
      if (word.find('/') == std::string::npos)
        return Result<void>(fail(ErrorKind::input, "give a number of the list, or a path such as /dev/ttyUSB0"));
      port_ = word;
      return Result<void>{};
    });
  }

  /// The service would be asked for a port that it has itself; said before anything is tried.
  Result<void> refuse_recorded() {
    const auto settings = context_.configuration();
    if (!settings || *settings == nullptr) return {};
    for (const config::MeterConfig& meter : (*settings)->meters) {
      std::error_code ignored;
      if (meter.port.empty() || !fs::equivalent(meter.port, port_, ignored)) continue;
      if (service_status(context_))
        return fail(ErrorKind::unusable, "the service is recording " + text::printable(port_) + " as the meter " +
                                             text::quoted(meter.name) +
                                             ": stop it first (systemctl stop nightwattd), or choose another port");
    }
    return {};
  }

  // A meter that prints lines.

  Result<void> choose_fields(const FoundMeter& found) {
    auto opened = drivers::open_port(port_, found.line);
    FieldTable table(*found.text, opened ? std::make_unique<drivers::OpenPort>(std::move(*opened)) : nullptr);
    say_form(found);
    if (auto power = choose_power(table); !power) return power;
    if (auto others = choose_others(table); !others) return others;
    if (auto permissible_error = ask_promise(); !permissible_error) return permissible_error;
    profile_ = setup::text_profile(found.text->settings, found.line, fields_);
    head_ =
        "A meter that prints lines, found by nightwatt setup.\nThe manual has the last word on its units, its "
        "display's step (resolution) and its accuracy.";
    return {};
  }

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
  Result<void> ask_promise() {
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

  // A meter that answers.

  Result<void> choose_answer(const FoundMeter& found) {
    std::size_t usable = 0;
    for (const setup::ProbeAnswer& answer : found.answers) {
      if (answer.readings.empty()) continue;
      std::string line = "  " + std::to_string(++usable) + "  " + text::printable(answer.profile.name) + ":";
      for (const Quantity quantity : all_quantities)
        if (const auto value = answer.readings.back().values.get(quantity))
          line += "  " + std::string(quantity_name(quantity)) + " " + value_text(*value, {1, 0}, quantity);
      talk_.say(line);
    }
    const setup::ProbeAnswer& first = found.answers.front();
    const std::string where = setup::where_text(first.profile);
    if (usable == 0)
      return fail(ErrorKind::negative, "a Modbus meter answers " + where +
                                           ", but has the registers of no profile that was tried: write one from its "
                                           "manual as docs/meters.md says, and give it with --profile");
    std::size_t chosen = 1;
    auto asked = talk_.ask_until("A meter answers " + where + ". Which of these is right? A number; n for none",
                                 usable == 1 || !talk_.asks() ? "1" : "", [&](const std::string& word) {
                                   if (word == "n") {
                                     chosen = 0;
                                     return Result<void>{};
                                   }
                                   chosen = static_cast<std::size_t>(std::strtoul(word.c_str(), nullptr, 10));
                                   if (chosen < 1 || chosen > usable)
                                     return Result<void>(fail(ErrorKind::input, "give a number of the list, or n"));
                                   return Result<void>{};
                                 });
    if (!asked) return asked;
    if (chosen == 0)
      return fail(ErrorKind::negative,
                  "nothing was written: write a profile from the meter's manual as docs/meters.md "
                  "says, and give it with --profile");
    profile_ = found.answers[chosen - 1].profile;
    power_w_ = found.answers[chosen - 1].readings.back().values.get(Quantity::power);
    head_ = "The profile " + profile_.name +
            " as nightwatt setup found the meter to answer.\nThe manual has the last "
            "word on registers, factors, steps (resolution) and accuracy.";
    return {};
  }

  // What both have in common.

  static std::string usual_folder() {
    const std::string system = "/etc/nightwatt";
    const bool may =
        ::access(system.c_str(), W_OK) == 0 || (::access(system.c_str(), F_OK) != 0 && ::access("/etc", W_OK) == 0);
    return may ? system : "nightwatt";
  }

  Result<void> choose_folder() {
    folder_ = arguments_.out.value_or(usual_folder());
    if (arguments_.out) return {};
    const auto asked = talk_.ask("Write config and profile into the folder", folder_);
    if (!asked) return tl::unexpected(asked.error());
    folder_ = *asked;
    return {};
  }

  /// Behind the folder: what is taken hangs on it, and would be refused at the very end.
  Result<void> choose_name() {
    const auto take = [&](const std::string& word) {
      name_ = word;
      if (!arguments_.overwrite && talk_.asks() && setup::is_taken(folder_, word))
        return Result<void>(fail(ErrorKind::input, name_is_taken(word)));
      return text::check_text("the name", word, setup::longest_name);
    };
    if (arguments_.name && take(*arguments_.name)) return {};
    if (arguments_.name) talk_.say(name_is_taken(*arguments_.name));
    return talk_.ask_until("A name for the meter", arguments_.overwrite ? "bench" : setup::free_name(folder_), take);
  }

  [[nodiscard]] std::string name_is_taken(const std::string& name) const {
    return "there is a meter or a profile " + text::quoted(name) + " in " + text::printable(folder_) +
           " already; give another name";
  }

  Result<setup::OldConfig> old_config() {
    if (arguments_.add) return setup::OldConfig::add;
    if (arguments_.overwrite) return setup::OldConfig::replace;
    const std::string config = (fs::path(folder_) / "nightwatt.toml").string();
    if (!talk_.asks() || !fs::exists(config)) return setup::OldConfig::refuse;
    const auto wanted = talk_.agree(text::printable(config) + " is there already. Add this meter to it?");
    if (!wanted) return tl::unexpected(wanted.error());
    return *wanted ? setup::OldConfig::add : setup::OldConfig::refuse;
  }

  Outcome write() {
    const auto old = old_config();
    if (!old) return tl::unexpected(old.error());
    std::error_code ignored;
    // A relative port would be looked for beside the config.
    const std::string port = fs::path(port_).is_absolute() ? port_ : fs::absolute(port_, ignored).string();
    profile_.name = setup::file_name(name_);
    const auto written = setup::write_files(folder_, {name_, port, profile_, head_}, *old);
    if (!written) return tl::unexpected(written.error());
    if (context_.json) {
      JsonWriter json(context_.out);
      json.begin_document().field("config", written->config).field("profile", written->profile);
      if (!written->added.empty()) json.field("added", written->added);
      json.field("meter", name_).field("port", port).field("baud", static_cast<std::int64_t>(profile_.line.baud));
      json.field("protocol", profile_.protocol_name()).field("power_w", power_w_).end_object();
      context_.out.write("\n");
      return 0;
    }
    say_next(*written);
    return 0;
  }

  void say_next(const setup::Written& written) {
    const std::string config = text::printable(written.config);
    const std::string wrote =
        written.added.empty() ? config : text::printable(written.added) + ", which adds to " + config;
    talk_.say("\nWrote " + wrote + ", and " + text::printable(written.profile) +
              "; both were read back by the service's own parser.");
    const bool system = fs::path(folder_).lexically_normal() == "/etc/nightwatt";
    const std::string option = system ? "" : " --config " + config;
    talk_.say("Next: " + (system ? "systemctl restart nightwattd" : "nightwattd" + option) + "\n      nightwatt" +
              option + " status --follow\nThen plug the device into the meter, and in the morning: nightwatt" + option +
              " summary last");
  }

  Context& context_;
  const SetupArguments& arguments_;
  std::string discarded_;
  Sink unheard_{discarded_};
  Dialogue talk_;
  std::string port_;
  std::vector<setup::ChosenField> fields_;
  MeterProfile profile_;
  std::string head_;
  std::string name_;
  std::string folder_;
  std::optional<Decimal> power_w_;
};

}  // namespace

Outcome run(Context& context, const SetupArguments& arguments) {
  return Setup(context, arguments).run();
}

}  // namespace nightwatt::query
