#include <algorithm>

#include "context.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

/// `--set KEY=` takes a condition back; any other is set, in place of what it was.
Result<void> change_conditions(std::vector<std::pair<std::string, std::string>>& conditions, const Words& set) {
  Words given;
  Words taken_back;
  for (const std::string& word : set) {
    const std::size_t equals = word.find('=');
    if (equals != std::string::npos && equals > 0 && word.find_first_not_of(' ', equals + 1) == std::string::npos)
      taken_back.push_back(word.substr(0, equals));
    else
      given.push_back(word);
  }
  const auto circumstances = circumstances_from(std::nullopt, std::nullopt, given);
  if (!circumstances) return tl::unexpected(circumstances.error());
  for (const std::string& key : taken_back)
    std::erase_if(conditions, [&](const auto& condition) { return condition.first == key; });
  for (const auto& [key, value] : circumstances->conditions) {
    const auto there = std::find_if(conditions.begin(), conditions.end(),
                                    [&, k = key](const auto& condition) { return condition.first == k; });
    if (there == conditions.end())
      conditions.emplace_back(key, value);
    else
      there->second = value;
  }
  return {};
}

Result<storage::RunWords> changed_words(const storage::RunInfo& info, const SetArguments& arguments) {
  storage::RunWords words{info.note, info.includes, info.conditions};
  const auto said = [](const MaybeWord& word) { return word && !word->empty() ? word : MaybeWord(); };
  auto circumstances = circumstances_from(said(arguments.note), said(arguments.includes), {});
  if (!circumstances) return tl::unexpected(circumstances.error());
  if (arguments.note) words.note = std::move(circumstances->note);
  if (arguments.includes) words.includes = std::move(circumstances->includes);
  if (auto changed = change_conditions(words.conditions, arguments.set); !changed)
    return tl::unexpected(changed.error());
  return words;
}

std::string words_text(const storage::RunWords& words) {
  std::string text;
  for (const std::string& item : words.includes) text += (text.empty() ? "with " : ", ") + text::printable(item);
  for (const auto& [key, value] : words.conditions)
    text += (text.empty() ? "" : "; ") + text::printable(key) + "=" + text::printable(value);
  if (!words.note.empty()) text += (text.empty() ? "" : "; ") + text::quoted(words.note);
  return text.empty() ? "nothing is noted" : text;
}

}  // namespace

Outcome run(Context& context, const SetArguments& arguments) {
  if (!arguments.note && !arguments.includes && arguments.set.empty())
    return fail(ErrorKind::input,
                "nothing to set; give --set KEY=VALUE, --includes LIST or --note T (an empty value takes one back)");
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  const auto info = find_run(store->reader(), arguments.run);
  if (!info) return tl::unexpected(info.error());
  const auto words = changed_words(*info, arguments);
  if (!words) return tl::unexpected(words.error());
  const auto put = in_transaction(*store, [&] { return store->apply(storage::DescribeRun{info->id, *words}); });
  if (!put) return tl::unexpected(put.error());
  if (context.json) {
    JsonWriter json(context.out);
    json.begin_document().field("run", info->id).key("includes").begin_array();
    for (const std::string& item : words->includes) json.value(item);
    json.end_array().key("set").begin_object();
    for (const auto& [key, value] : words->conditions) json.field(key, value);
    json.end_object().field("note", words->note).end_object();
    context.out.write("\n");
    return 0;
  }
  const storage::RunWords before{info->note, info->includes, info->conditions};
  context.out.write("Of " + run_text(*info) + " is noted now: " + words_text(*words) +
                    "\n  before: " + words_text(before) + "\n");
  return 0;
}

}  // namespace nightwatt::query
