#include "figures/runs.hpp"

#include <charconv>

#include "text/printable.hpp"

namespace nightwatt::figures {
namespace {
constexpr UtcTime after_all_runs{std::int64_t{1} << 62};
}

Result<storage::RunInfo> find_run(const storage::StoreReader& store, std::string_view word) {
  if (word == "last") {
    auto runs = store.runs();
    if (!runs) return tl::unexpected(runs.error());
    for (auto run = runs->rbegin(); run != runs->rend(); ++run)
      if (run->origin != storage::RunOrigin::entered) return std::move(*run);
    return fail(ErrorKind::negative, "the store holds no run yet; record one with nightwattd or import a CSV");
  }
  storage::RunId id = 0;
  const auto [end, problem] = std::from_chars(word.data(), word.data() + word.size(), id);
  if (problem == std::errc::result_out_of_range)
    return fail(ErrorKind::negative, "there is no run " + text::quoted(word) + "; nightwatt runs lists them");
  if (problem != std::errc() || end != word.data() + word.size() || id < 0)
    return fail(ErrorKind::input,
                "RUN is " + text::quoted(word) + "; give a run's number or last (nightwatt runs lists them)");
  return store.run(id);
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
