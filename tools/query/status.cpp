#include <unistd.h>

#include <algorithm>

#include "commands.hpp"
#include "figures/figures.hpp"
#include "measure/time_text.hpp"
#include "service.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

constexpr Duration recent{std::int64_t{7} * 86'400 * 1'000'000};
constexpr std::size_t events_shown = 8;

struct Picture {
  bool running = false;
  std::vector<MeterState> meters;
  std::string store_path;
  std::optional<storage::StoreStatus> store;
  std::vector<storage::Event> events;
};

/// What the store alone knows of the meters.
Result<std::vector<MeterState>> stored_meters(const storage::StoreReader& store, UtcTime now) {
  const auto streams = store.streams();
  if (!streams) return tl::unexpected(streams.error());
  std::vector<MeterState> meters;
  for (const storage::StreamInfo& stream : *streams) {
    if (!stream.meter) continue;
    MeterState meter{*stream.meter, "down", {}, {}, {}, {}};
    const auto last = store.last_reading(stream.id);
    if (!last) return tl::unexpected(last.error());
    if (*last) {
      const auto shift = store.shift_at(stream.id, (*last)->time);
      if (!shift) return tl::unexpected(shift.error());
      meter.last = (*last)->time + *shift;
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
    if (!known) meters.push_back({configured.name, "down", {}, {}, {}, {}});
  }
}

Result<Picture> look(Context& context) {
  Picture picture;
  const auto path = context.store_path();
  if (!path) return tl::unexpected(path.error());
  picture.store_path = *path;
  auto meters = service_status(context);
  picture.running = meters.has_value();
  if (meters) picture.meters = std::move(*meters);
  if (::access(path->c_str(), F_OK) != 0) {
    if (!picture.running) add_configured(context, picture.meters);
    return picture;
  }
  const auto store = storage::StoreReader::open(*path);
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
  return picture;
}

void write_json(Context& context, const Picture& picture) {
  JsonWriter json(context.out);
  json.begin_object().field("service", picture.running ? "running" : "down").key("meters").begin_array();
  for (const MeterState& meter : picture.meters) {
    json.line_break().begin_object().field("name", meter.name).field("state", meter.state).field("last", meter.last);
    json.field("age_s", meter.age_s).field("readings", meter.readings).field("faults", meter.faults).end_object();
  }
  json.end_array().key("store").begin_object().field("path", picture.store_path);
  std::optional<std::int64_t> bytes, samples;
  std::optional<UtcTime> oldest;
  if (picture.store) {
    bytes = picture.store->bytes;
    samples = picture.store->samples;
    oldest = picture.store->oldest;
  }
  json.field("bytes", bytes).field("oldest", oldest).field("samples", samples).end_object().key("events").begin_array();
  for (const storage::Event& event : picture.events) {
    json.line_break().begin_object().field("kind", storage::event_kind_name(event.kind)).field("at", event.at);
    json.field("meter", event.meter).field("detail", event.detail).field("amount", event.amount).end_object();
  }
  json.end_array().end_object();
  context.out.write("\n");
}

void write_meters(Context& context, const std::vector<MeterState>& meters) {
  if (meters.empty()) return;
  context.out.write("\n");
  Table table;
  for (const char* title : {"meter", "state", "last reading"}) table.column(title, Table::Align::left);
  for (const char* title : {"age", "readings", "faults"}) table.column(title, Table::Align::right);
  for (const MeterState& meter : meters) {
    const bool faulty = meter.faults.value_or(0) > 0;
    table.row({{text::printable(meter.name), Tone::strong},
               {text::printable(meter.state)},
               {meter.last ? local_text(*meter.last) : std::string()},
               {meter.age_s ? duration_text({std::max(0.0, *meter.age_s)}) : std::string()},
               {meter.readings ? std::to_string(*meter.readings) : std::string()},
               {meter.faults ? std::to_string(*meter.faults) : std::string(), faulty ? Tone::yellow : Tone::plain}});
  }
  table.write(context.out, context.style);
}

void write_events(Context& context, const std::vector<storage::Event>& events) {
  if (events.empty()) return;
  context.out.write("\n");
  Table table;
  for (const char* title : {"lately", "what", "meter", "detail"}) table.column(title, Table::Align::left);
  const std::size_t first = events.size() > events_shown ? events.size() - events_shown : 0;
  for (std::size_t i = first; i < events.size(); ++i) {
    std::string what(storage::event_kind_name(events[i].kind));
    std::replace(what.begin(), what.end(), '_', ' ');
    table.row({{local_text(events[i].at)},
               {what},
               {events[i].meter ? text::printable(*events[i].meter) : std::string()},
               {text::printable(events[i].detail)}});
  }
  table.write(context.out, context.style);
}

std::string bytes_text(std::int64_t bytes) {
  const auto size = static_cast<double>(bytes);
  if (size < 1e3) return std::to_string(bytes) + " B";
  if (size < 1e6) return number_text(size / 1e3, "kB");
  return size < 1e9 ? number_text(size / 1e6, "MB") : number_text(size / 1e9, "GB");
}

void write_people(Context& context, const Picture& picture) {
  context.out.write("service  " +
                    (picture.running ? toned(context.style, Tone::green, "running")
                                     : toned(context.style, Tone::yellow, "down") + ", nothing is being recorded") +
                    "\nstore    " + text::printable(picture.store_path));
  if (!picture.store) {
    context.out.write(", not there yet\n");
  } else {
    context.out.write(": " + bytes_text(picture.store->bytes) + ", " + std::to_string(picture.store->samples) +
                      " readings" + (picture.store->oldest ? ", oldest " + local_text(*picture.store->oldest) : "") +
                      "\n");
  }
  write_meters(context, picture.meters);
  write_events(context, picture.events);
}

}  // namespace

Outcome run(Context& context, const StatusArguments&) {
  const auto picture = look(context);
  if (!picture) return tl::unexpected(picture.error());
  context.json ? write_json(context, *picture) : write_people(context, *picture);
  return 0;
}

}  // namespace nightwatt::query
