#include "arguments.hpp"

#include "csv/csv_reader.hpp"
#include "measure/signal/decimal.hpp"
#include "measure/signal/spoken_time.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

constexpr std::size_t list_limit = 64;  // what one plugs in, or notes down, around one device

std::string_view trimmed(std::string_view word) {
  while (!word.empty() && word.front() == ' ') word.remove_prefix(1);
  while (!word.empty() && word.back() == ' ') word.remove_suffix(1);
  return word;
}

Result<std::optional<double>> maybe(Result<double> (*from)(std::string_view, std::string_view), std::string_view option,
                                    const MaybeWord& word) {
  if (!word) return std::nullopt;
  const auto number = from(option, *word);
  if (!number) return tl::unexpected(number.error());
  return *number;
}

}  // namespace

Result<double> number_from(std::string_view option, std::string_view word) {
  const auto number = Decimal::parse(word);
  if (!number)
    return fail(ErrorKind::input,
                std::string(option) + " is " + text::quoted(word) + "; give a plain number such as 0.5");
  return number->value();
}

Result<double> positive_from(std::string_view option, std::string_view word) {
  const auto number = number_from(option, word);
  if (number && *number <= 0.0)
    return fail(ErrorKind::input, std::string(option) + " is " + text::quoted(word) + "; give a number above 0");
  return number;
}

Result<double> not_negative_from(std::string_view option, std::string_view word) {
  const auto number = number_from(option, word);
  if (number && *number < 0.0)
    return fail(ErrorKind::input, std::string(option) + " is " + text::quoted(word) + "; give a number, 0 or above");
  return number;
}

Result<double> share_from(std::string_view option, std::string_view word) {
  const auto number = number_from(option, word);
  if (number && !(*number > 0.0 && *number <= 1.0))
    return fail(ErrorKind::input, std::string(option) + " is " + text::quoted(word) +
                                      "; give a share above 0 and at most 1, such as 0.9");
  return number;
}

Result<UtcTime> time_from(std::string_view option, std::string_view word, UtcTime now) {
  const auto time = parse_spoken_time(word, now);
  if (!time || time->us < 0 || *time >= csv::time_limit)
    return fail(ErrorKind::input, std::string(option) + " is " + text::quoted(word) +
                                      "; give a time from 1970 to 2199 such as 2026-01-05T21:00:00 (local time), "
                                      "2026-01-05T21:00:00Z, 1767646800, 21:15, yesterday or '2 h ago'");
  return *time;
}

Result<std::optional<double>> maybe_positive(std::string_view option, const MaybeWord& word) {
  return maybe(positive_from, option, word);
}

Result<std::optional<double>> maybe_not_negative(std::string_view option, const MaybeWord& word) {
  return maybe(not_negative_from, option, word);
}

Result<std::optional<double>> maybe_share(std::string_view option, const MaybeWord& word) {
  return maybe(share_from, option, word);
}

Result<std::optional<UtcTime>> maybe_time(std::string_view option, const MaybeWord& word, UtcTime now) {
  if (!word) return std::nullopt;
  const auto time = time_from(option, *word, now);
  if (!time) return tl::unexpected(time.error());
  return *time;
}

namespace {

Result<Words> includes_from(const MaybeWord& word) {
  Words list;
  if (!word) return list;
  std::string_view rest = *word;
  for (bool more = true; more;) {
    const std::size_t comma = rest.find(',');
    more = comma != std::string_view::npos;
    const std::string_view item = trimmed(rest.substr(0, comma));
    if (more) rest.remove_prefix(comma + 1);
    if (auto checked = text::check_text("an item of --includes", item, text::name_limit); !checked)
      return tl::unexpected(checked.error());
    list.emplace_back(item);
    if (list.size() > list_limit)
      return fail(ErrorKind::input,
                  "--includes has more than " + std::to_string(list_limit) + " items; name the main ones");
  }
  return list;
}

Result<std::vector<std::pair<std::string, std::string>>> conditions_from(const Words& words) {
  std::vector<std::pair<std::string, std::string>> conditions;
  if (words.size() > list_limit)
    return fail(ErrorKind::input, "more than " + std::to_string(list_limit) + " --set; give the main ones");
  for (const std::string& word : words) {
    const std::size_t equals = word.find('=');
    if (equals == std::string::npos || equals == 0)
      return fail(ErrorKind::input, "--set is " + text::quoted(word) + "; give KEY=VALUE such as battery=full");
    std::string key(trimmed(std::string_view(word).substr(0, equals)));
    if (key.rfind('.', 0) == 0)
      return fail(ErrorKind::input, "--set is " + text::quoted(word) + "; a key may not begin with a full stop");
    std::string value(trimmed(std::string_view(word).substr(equals + 1)));
    for (const auto& [what, part] : {std::pair{"the key of --set", &key}, std::pair{"the value of --set", &value}})
      if (auto checked = text::check_text(what, *part, text::name_limit); !checked)
        return tl::unexpected(checked.error());
    for (const auto& [other, ignored] : conditions)
      if (other == key) return fail(ErrorKind::input, "--set gives " + text::quoted(key) + " twice; leave one out");
    conditions.emplace_back(std::move(key), std::move(value));
  }
  return conditions;
}

Result<std::string> note_from(const MaybeWord& word) {
  if (!word) return std::string();
  if (auto checked = text::check_text("the note", *word, text::note_limit); !checked)
    return tl::unexpected(checked.error());
  return *word;
}

}  // namespace

Result<Circumstances> circumstances_from(const MaybeWord& note, const MaybeWord& includes, const Words& set) {
  auto text = note_from(note);
  if (!text) return tl::unexpected(text.error());
  auto words = includes_from(includes);
  if (!words) return tl::unexpected(words.error());
  auto conditions = conditions_from(set);
  if (!conditions) return tl::unexpected(conditions.error());
  return Circumstances{std::move(*text), std::move(*words), std::move(*conditions)};
}

}  // namespace nightwatt::query
