#include "figures/runs.hpp"

#include <algorithm>
#include <charconv>
#include <optional>
#include <vector>

#include "text/printable.hpp"

namespace nightwatt::figures {
namespace {
constexpr UtcTime after_all_runs{std::int64_t{1} << 62};
constexpr std::size_t runs_named = 5;  // in a refusal; more are a list

bool is_number(std::string_view word) {
  return !word.empty() && word.find_first_not_of("0123456789") == std::string_view::npos;
}

/// `word` may mean a run that is damaged; a sound one must not be taken in its place.
tl::unexpected<Error> damaged_instead(const storage::DamagedRun& run, std::string_view word) {
  return fail(ErrorKind::unusable, text::quoted(word) + " may be run " + std::to_string(run.id) +
                                       ", which is damaged; to have another say its number: " + run.why);
}

/// The run of the device of that name: nullopt where there is none, an error where there are several. A number is a
/// run's, whatever devices are called.
Result<std::optional<storage::RunInfo>> only_run_of(const storage::StoreReader& store, std::string_view word) {
  if (is_number(word)) return std::nullopt;
  auto list = store.run_list();
  if (!list) return tl::unexpected(list.error());
  for (const storage::DamagedRun& run : list->damaged)
    if (run.said && run.said->device == word) return damaged_instead(run, word);
  std::vector<storage::RunInfo>& runs = list->sound;
  std::erase_if(runs, [&](const storage::RunInfo& run) { return run.device != word; });
  if (runs.empty()) return std::nullopt;
  if (runs.size() == 1) return std::move(runs.front());
  std::string numbers;
  for (std::size_t i = runs.size() - std::min(runs.size(), runs_named); i < runs.size(); ++i)
    numbers += (numbers.empty() ? "" : ", ") + std::to_string(runs[i].id);
  return fail(ErrorKind::input, text::quoted(word) + " has " + std::to_string(runs.size()) +
                                    " runs; say which: " + (runs.size() > runs_named ? "... " : "") + numbers);
}

Result<storage::RunInfo> last_run(const storage::StoreReader& store) {
  auto list = store.run_list();
  if (!list) return tl::unexpected(list.error());
  std::erase_if(list->sound, [](const storage::RunInfo& run) { return run.origin == storage::RunOrigin::entered; });
  const storage::RunId last = list->sound.empty() ? 0 : list->sound.back().id;
  if (!list->damaged.empty() && list->damaged.back().id > last) return damaged_instead(list->damaged.back(), "last");
  if (!list->is_whole)
    return fail(ErrorKind::unusable,
                "runs are gone from the damaged store, maybe the last one; say which by its number");
  if (last == 0)
    return fail(ErrorKind::negative, "the store holds no run yet; record one with nightwattd or import a CSV");
  return std::move(list->sound.back());
}
}  // namespace

Result<storage::RunInfo> find_run(const storage::StoreReader& store, std::string_view word) {
  if (word == "last") return last_run(store);
  if (auto of_device = only_run_of(store, word); !of_device || *of_device) {
    if (!of_device) return tl::unexpected(of_device.error());
    return std::move(**of_device);
  }
  storage::RunId id = 0;
  const auto [end, problem] = std::from_chars(word.data(), word.data() + word.size(), id);
  if (problem == std::errc::result_out_of_range)
    return fail(ErrorKind::negative, "there is no run " + text::quoted(word) + "; nightwatt runs lists them");
  if (problem != std::errc() || end != word.data() + word.size() || id < 0)
    return fail(ErrorKind::input, "RUN is " + text::quoted(word) +
                                      "; give a run's number, a device's name or last (nightwatt runs lists them)");
  return store.run(id);
}

Result<std::vector<storage::RunInfo>> readable_runs(const storage::StoreReader& store,
                                                    std::vector<std::string>& warnings) {
  auto list = store.run_list();
  if (!list) return tl::unexpected(list.error());
  for (const storage::DamagedRun& run : list->damaged) warnings.push_back(left_out(run.id, run.why));
  if (!list->is_whole) warnings.push_back("runs are gone from the damaged store; see nightwatt salvage");
  return std::move(list->sound);
}

std::string left_out(storage::RunId run, const std::string& why) {
  return "run " + std::to_string(run) + " is left out: " + why;
}

Result<Calendar> calendar_of(const storage::StoreReader& store, const storage::RunInfo& run) {
  if (run.stream == 0) return Calendar{};
  return store.calendar(run.stream, run.begin, run.end.value_or(after_all_runs));
}

std::string device_text(const storage::RunInfo& run) {
  return run.device ? text::printable(*run.device) : std::string();
}

std::string run_text(const storage::RunInfo& run) {
  return "run " + std::to_string(run.id) + " (" + (run.device ? device_text(run) : "no name yet") + ")";
}

}  // namespace nightwatt::figures
