#include "status_picture.hpp"

#include <unistd.h>

#include <algorithm>

#include "storage/quarantine.hpp"

namespace nightwatt::query {
namespace {

constexpr Duration recent{std::int64_t{7} * 86'400 * 1'000'000};

/// What the store alone knows of the meters.
Result<std::vector<MeterState>> stored_meters(const storage::StoreReader& store, UtcTime now) {
  const auto streams = store.streams();
  if (!streams) return tl::unexpected(streams.error());
  std::vector<MeterState> meters;
  for (const storage::StreamInfo& stream : *streams) {
    if (!stream.meter) continue;
    MeterState meter{*stream.meter, "down", {}, {}, {}, {}, {}};
    const auto last = store.last_reading(stream.id);
    if (!last) return tl::unexpected(last.error());
    if (*last) {
      const auto utc_offset = store.utc_offset_at(stream.id, (*last)->time);
      if (!utc_offset) return tl::unexpected(utc_offset.error());
      meter.last = (*last)->time + *utc_offset;
      meter.age_s = to_seconds(now - *meter.last).value;
    }
    meters.push_back(std::move(meter));
  }
  return meters;
}

/// Meters that are configured and have never given a reading.
void add_configured(Context& context, std::vector<MeterState>& meters) {
  const auto settings = context.configuration();
  if (!settings || *settings == nullptr) return;
  for (const config::MeterConfig& configured : (*settings)->meters) {
    const bool known =
        std::any_of(meters.begin(), meters.end(), [&](const auto& meter) { return meter.name == configured.name; });
    if (!known) meters.push_back({configured.name, "down", {}, {}, {}, {}, {}});
  }
}

Result<void> look_at_store(Context& context, StatusPicture& picture) {
  const auto store = storage::StoreReader::open(picture.store_path);
  if (!store) return tl::unexpected(store.error());
  const auto status = store->status();
  if (!status) return tl::unexpected(status.error());
  picture.store = *status;
  if (!picture.running) {
    auto stored = stored_meters(*store, context.now());
    if (!stored) return tl::unexpected(stored.error());
    picture.meters = std::move(*stored);
    add_configured(context, picture.meters);
  }
  auto events = store->events(context.now() - recent, context.now() + recent);
  if (!events) return tl::unexpected(events.error());
  picture.events = std::move(*events);
  return {};
}

}  // namespace

Result<StatusPicture> look_at_status(Context& context) {
  StatusPicture picture;
  const auto path = context.store_path();
  if (!path) return tl::unexpected(path.error());
  picture.store_path = *path;
  picture.quarantine = storage::quarantined_stores(*path);
  auto service = service_status(context);
  picture.running = service.has_value();
  if (service) {
    picture.meters = std::move(service->meters);
    picture.tell = service->tell;
    picture.mirror = std::move(service->mirror);
    picture.paused = service->paused;
    picture.paused_why = std::move(service->paused_why);
    picture.waiting = service->waiting;
  }
  if (::access(path->c_str(), F_OK) != 0 || storage::store_bytes(*path) == 0) {
    if (!picture.running) add_configured(context, picture.meters);
    return picture;
  }
  const auto looked = look_at_store(context, picture);
  if (looked) return picture;
  // The running service has more to tell than that its store cannot be read.
  if (!picture.running) return tl::unexpected(looked.error());
  picture.store_problem = looked.error().message;
  return picture;
}

}  // namespace nightwatt::query
