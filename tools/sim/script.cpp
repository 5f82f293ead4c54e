#include "sim/script.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <fstream>
#include <iterator>
#include <map>

namespace nightwatt::sim {
namespace {

constexpr std::size_t script_bytes_limit = 1'000'000;  // a megabyte of script is not a script
constexpr double longest_s = 10.0 * 366 * 86400;       // ten years: beyond it milliseconds no longer matter to a test
constexpr double highest_w = 1e6;                      // a megawatt: what no meter of this kind sees

struct UnitFactor {
  std::string_view name;
  double factor;
};

std::optional<double> number_of(std::string_view text, std::string_view& rest) {
  double value = 0.0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || !std::isfinite(value)) return std::nullopt;
  rest = text.substr(static_cast<std::size_t>(end - text.data()));
  return value;
}

std::optional<double> parse_with_unit(std::string_view text, std::initializer_list<UnitFactor> units) {
  std::string_view rest;
  const auto value = number_of(text, rest);
  if (!value) return std::nullopt;
  if (rest.empty()) return value;
  for (const UnitFactor& unit : units)
    if (rest == unit.name) return *value * unit.factor;
  return std::nullopt;
}

std::optional<double> parse_duration(std::string_view text) {
  const auto value = parse_with_unit(text, {{"ms", 1e-3}, {"s", 1.0}, {"min", 60.0}, {"h", 3600.0}});
  if (!value || *value < 0.0 || *value > longest_s) return std::nullopt;
  return value;
}

std::optional<double> parse_power(std::string_view text) {
  const auto value = parse_with_unit(text, {{"W", 1.0}, {"mW", 1e-3}, {"kW", 1e3}});
  if (!value || std::abs(*value) > highest_w) return std::nullopt;
  return value;
}

std::optional<std::int64_t> parse_count(std::string_view text) {
  std::int64_t value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size() || value < 1 || value > 1'000'000) return std::nullopt;
  return value;
}

std::vector<std::string_view> split_words(std::string_view line) {
  std::vector<std::string_view> words;
  std::size_t at = 0;
  while (at < line.size()) {
    const std::size_t begin = line.find_first_not_of(" \t\r", at);
    if (begin == std::string_view::npos) break;
    const std::size_t end = std::min(line.find_first_of(" \t\r", begin), line.size());
    words.push_back(line.substr(begin, end - begin));
    at = end;
  }
  return words;
}

/// The words of one line, taken one after the other. The first thing wrong sticks.
class Words {
 public:
  explicit Words(std::vector<std::string_view> words) : words_(std::move(words)) {}

  [[nodiscard]] bool done() const { return next_ == words_.size(); }
  [[nodiscard]] bool peek(std::string_view word) const { return !done() && words_[next_] == word; }
  std::string_view take() { return done() ? std::string_view() : words_[next_++]; }
  void keyword(std::string_view word) {
    if (peek(word)) {
      ++next_;
    } else {
      wrong("expected `" + std::string(word) + "`");
    }
  }
  double duration(std::string_view what) { return value(what, "a duration such as 90s, 10min or 8h", &parse_duration); }
  double positive_duration(std::string_view what) {
    const double length = duration(what);
    if (error_.empty() && length <= 0.0) error_ = std::string(what) + " must be longer than 0";
    return length;
  }
  double power(std::string_view what) { return value(what, "a power such as 25, 1.5W or 900mW", &parse_power); }
  double plain(std::string_view what) {
    return value(
        what, "a number", +[](std::string_view text) { return parse_with_unit(text, {}); });
  }
  std::int64_t count(std::string_view what) { return value(what, "a count from 1 to 1000000", &parse_count); }
  void wrong(std::string message) {
    if (error_.empty())
      error_ = std::move(message) + (done() ? ", the line ends" : ", not `" + std::string(words_[next_]) + "`");
  }
  void refuse(std::string message) {
    if (error_.empty()) error_ = std::move(message);
  }
  [[nodiscard]] const std::string& error() const { return error_; }

 private:
  template <class T>
  T value(std::string_view what, std::string_view form, std::optional<T> (*parse)(std::string_view)) {
    const std::optional<T> parsed = done() ? std::nullopt : parse(words_[next_]);
    if (!parsed) {
      wrong(std::string(what) + " must be " + std::string(form));
      return T{};
    }
    ++next_;
    return *parsed;
  }

  std::vector<std::string_view> words_;
  std::size_t next_ = 0;
  std::string error_;
};

class Parser {
 public:
  /// Empty, or what is wrong with the line.
  std::string line(std::string_view text) {
    if (const std::size_t hash = text.find('#'); hash != std::string_view::npos) text = text.substr(0, hash);
    Words words(split_words(text));
    if (words.done()) return {};
    const std::string_view verb = words.take();
    const auto found = verbs().find(verb);
    if (found == verbs().end()) return "unknown word `" + std::string(verb) + "`";
    (this->*found->second)(words);
    if (words.error().empty() && !words.done()) words.refuse("too much: `" + std::string(words.take()) + "`");
    return words.error();
  }

  Script finish() {
    std::stable_sort(script_.faults.begin(), script_.faults.end(),
                     [](const ScriptFault& a, const ScriptFault& b) { return a.at_s < b.at_s; });
    return std::move(script_);
  }
  [[nodiscard]] bool has_stage() const { return !script_.stages.empty(); }

 private:
  using Handler = void (Parser::*)(Words&);
  static const std::map<std::string_view, Handler>& verbs() {
    static const std::map<std::string_view, Handler> table = {{"display", &Parser::display},
                                                              {"voltage", &Parser::voltage},
                                                              {"power_factor", &Parser::factor},
                                                              {"frequency", &Parser::frequency},
                                                              {"energy", &Parser::energy},
                                                              {"banner", &Parser::banner},
                                                              {"noise", &Parser::noise},
                                                              {"level", &Parser::level},
                                                              {"ramp", &Parser::ramp},
                                                              {"settle", &Parser::settle},
                                                              {"cycle", &Parser::cycle},
                                                              {"irregular", &Parser::irregular},
                                                              {"at", &Parser::at},
                                                              {"every", &Parser::every}};
    return table;
  }

  void display(Words& words) {
    const double step = words.power("the display step");
    if (words.error().empty() && step <= 0.0) words.refuse("the display step must be above 0");
    script_.display_w = step;
    if (words.peek("truncate")) {
      words.take();
      script_.display_rule = DisplayRule::truncate;
    } else if (!words.done()) {
      words.keyword("round");
    }
  }
  void voltage(Words& words) {
    script_.voltage_v = words.plain("the voltage");
    if (words.error().empty() && script_.voltage_v <= 0.0) words.refuse("the voltage must be above 0");
    if (!words.done()) {
      words.keyword("noise");
      script_.voltage_noise_v = words.plain("the voltage's noise");
    }
  }
  void factor(Words& words) {
    script_.power_factor = words.plain("the power factor");
    if (words.error().empty() && !(script_.power_factor > 0.0 && script_.power_factor <= 1.0))
      words.refuse("the power factor must lie above 0 and not above 1");
  }
  void frequency(Words& words) { script_.frequency_hz = words.plain("the frequency"); }
  void energy(Words& words) {
    script_.energy_wh = words.plain("the counter");
    if (words.error().empty() && script_.energy_wh < 0.0) words.refuse("the counter must not be below 0");
  }
  void banner(Words& words) {
    while (!words.done()) script_.banner += (script_.banner.empty() ? "" : " ") + std::string(words.take());
  }
  void noise(Words& words) {
    if (words.peek("none")) {
      words.take();
      noise_ = {};
    } else if (words.peek("correlated")) {
      words.take();
      noise_.correlated_w = std::abs(words.power("the noise"));
      words.keyword("over");
      noise_.correlated_over_s = words.positive_duration("the correlation time");
    } else {
      words.keyword("white");
      noise_.white_w = std::abs(words.power("the noise"));
    }
  }

  void level(Words& words) {
    Stage stage{.kind = StageKind::level};
    stage.to_w = stage.from_w = words.power("the level");
    add(words, stage);
  }
  void ramp(Words& words) {
    Stage stage{.kind = StageKind::ramp};
    stage.from_w = last_w_;
    stage.to_w = words.power("the ramp's end");
    add(words, stage);
  }
  void settle(Words& words) {
    Stage stage{.kind = StageKind::settle};
    stage.to_w = words.power("the limit");
    words.keyword("from");
    stage.from_w = words.power("the start");
    words.keyword("tau");
    stage.tau_s = words.positive_duration("tau");
    add(words, stage);
  }
  void cycle(Words& words) {
    Stage stage{.kind = StageKind::cycle};
    two_levels(words, stage);
    words.keyword("on");
    stage.share = words.plain("the share");
    if (words.error().empty() && !(stage.share >= 0.0 && stage.share <= 1.0))
      words.refuse("the share must lie in 0 to 1");
    add(words, stage);
  }
  void irregular(Words& words) {
    Stage stage{.kind = StageKind::irregular};
    two_levels(words, stage);
    add(words, stage);
  }
  static void two_levels(Words& words, Stage& stage) {
    stage.from_w = words.power("the lower level");
    stage.to_w = words.power("the upper level");
    words.keyword("every");
    stage.period_s = words.positive_duration("the period");
  }
  void add(Words& words, Stage stage) {
    words.keyword("for");
    stage.length_s = words.positive_duration("the length");
    stage.begin_s = script_.length_s();
    stage.noise = noise_;
    if (!words.error().empty()) return;
    if (script_.stages.size() >= script_item_limit) return words.refuse("too many stages");
    if (stage.begin_s + stage.length_s > longest_s) return words.refuse("a script may last ten years, not longer");
    if (stage.kind == StageKind::irregular && stage.length_s / stage.period_s > 1e6)
      return words.refuse("an irregular stage may have a million pieces, not more");
    last_w_ = stage.to_w;
    script_.stages.push_back(stage);
  }

  void at(Words& words) {
    const double when = words.duration("the instant");
    add_fault(words, fault(words, when));
  }
  void every(Words& words) {
    const double period = words.positive_duration("the period");
    words.keyword("from");
    const double from = words.duration("the first instant");
    words.keyword("until");
    const double until = words.duration("the last instant");
    const ScriptFault first = fault(words, from);
    if (!words.error().empty()) return;
    if ((until - from) / period > static_cast<double>(script_item_limit)) return words.refuse("too many faults");
    for (int i = 0; from + i * period <= until && words.error().empty(); ++i) {
      ScriptFault next = first;
      next.at_s = from + i * period;
      add_fault(words, next);
    }
  }
  void add_fault(Words& words, const ScriptFault& fault) {
    if (!words.error().empty()) return;
    if (script_.faults.size() >= script_item_limit) return words.refuse("too many faults");
    script_.faults.push_back(fault);
  }
  static ScriptFault fault(Words& words, double when) {
    static constexpr std::pair<std::string_view, FaultType> types[] = {
        {"silence", FaultType::silence},     {"garbage", FaultType::garbage}, {"unplug", FaultType::unplug},
        {"noise", FaultType::noise},         {"cut", FaultType::cut},         {"checksum", FaultType::checksum},
        {"exception", FaultType::exception}, {"twice", FaultType::twice}};
    ScriptFault fault;
    fault.at_s = when;
    const std::string_view word = words.take();
    const auto found =
        std::find_if(std::begin(types), std::end(types), [word](const auto& type) { return type.first == word; });
    if (found == std::end(types)) {
      words.refuse("unknown fault `" + std::string(word) + "`");
      return fault;
    }
    fault.type = found->second;
    const bool lasts =
        fault.type == FaultType::silence || fault.type == FaultType::garbage || fault.type == FaultType::unplug;
    if (fault.type == FaultType::exception) {
      fault.code = static_cast<int>(words.count("the exception code"));
      if (fault.code > 255) words.refuse("an exception code must not be above 255");
    }
    if (lasts) {
      fault.length_s = words.positive_duration("the fault's length");
    } else {
      fault.count = words.done() ? 1 : words.count("the count");
    }
    return fault;
  }

  Script script_;
  Noise noise_;
  double last_w_ = 0.0;
};

}  // namespace

double Script::length_s() const {
  return stages.empty() ? 0.0 : stages.back().begin_s + stages.back().length_s;
}

Result<Script> parse_script(std::string_view text, std::string_view name) {
  Parser parser;
  std::size_t line_number = 0;
  while (!text.empty()) {
    const std::size_t end = std::min(text.find('\n'), text.size());
    ++line_number;
    const std::string wrong = parser.line(text.substr(0, end));
    if (!wrong.empty())
      return fail(ErrorKind::input, std::string(name) + ":" + std::to_string(line_number) + ": " + wrong);
    text.remove_prefix(std::min(end + 1, text.size()));
  }
  if (!parser.has_stage())
    return fail(ErrorKind::input, std::string(name) + ": no stage; write at least `level 25 for 10min`");
  return parser.finish();
}

Result<Script> load_script(const std::string& file) {
  std::ifstream stream(file, std::ios::binary);
  if (!stream) return fail(ErrorKind::input, file + ": cannot be read");
  std::string text;
  char buffer[4096];
  while (text.size() <= script_bytes_limit && (stream.read(buffer, sizeof buffer) || stream.gcount() > 0))
    text.append(buffer, static_cast<std::size_t>(stream.gcount()));
  if (text.size() > script_bytes_limit) return fail(ErrorKind::input, file + ": longer than 1 MB, not a script");
  return parse_script(text, file);
}

}  // namespace nightwatt::sim
