#include "recorded.hpp"

#include "figures/runs.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {

Result<storage::RunInfo> find_recorded_run(const storage::StoreReader& store, std::string_view word,
                                           std::string_view things) {
  auto run = figures::find_run(store, word);
  if (run && run->origin == storage::RunOrigin::entered)
    return fail(ErrorKind::negative,
                figures::run_text(*run) + " was entered by hand and has no " + std::string(things));
  return run;
}

Result<storage::StreamId> find_meter(const storage::StoreReader& store, const std::string& meter) {
  const auto stream = store.stream_of_meter(meter);
  if (!stream) return tl::unexpected(stream.error());
  if (!*stream)
    return fail(ErrorKind::negative,
                "no reading of a meter " + text::quoted(meter) + " is in the store; nightwatt status lists the meters");
  return **stream;
}

}  // namespace nightwatt::query
