#include <algorithm>

#include "context.hpp"
#include "figures/figures.hpp"
#include "follow.hpp"
#include "measure/signal/time_text.hpp"
#include "status_picture.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

constexpr std::size_t events_shown = 8;

void write_json(Context& context, const StatusPicture& picture) {
  JsonWriter json(context.out);
  json.begin_document().field("service", picture.running ? "running" : "down").field("paused", picture.paused);
  json.key("paused_why");
  picture.paused_why.empty() ? json.null() : json.value(picture.paused_why);
  json.key("meters").begin_array();
  for (const MeterState& meter : picture.meters) {
    json.line_break().begin_object().field("name", meter.name).field("state", meter.state).field("last", meter.last);
    json.field("age_s", meter.age_s).field("readings", meter.readings).field("faults", meter.faults);
    json.key("trouble");
    meter.trouble.empty() ? json.null() : json.value(meter.trouble);
    json.end_object();
  }
  json.end_array().key("store").begin_object().field("path", picture.store_path);
  std::optional<std::int64_t> bytes, samples;
  std::optional<UtcTime> oldest;
  if (picture.store) {
    bytes = picture.store->bytes;
    samples = picture.store->samples;
    oldest = picture.store->oldest;
  }
  if (!picture.store_problem.empty()) json.field("problem", picture.store_problem);
  json.field("bytes", bytes).field("oldest", oldest).field("samples", samples);
  json.key("set_aside").begin_array();
  for (const std::string& name : picture.quarantine) json.value(name);
  json.end_array().end_object();
  const NotificationState& tell = picture.tell;
  json.key("tell").begin_object().field("told", tell.told).field("failed", tell.failed);
  json.field("given_up", tell.given_up).field("waiting", tell.waiting).end_object();
  if (picture.mirror) {
    json.key("mirror").begin_object().field("connected", picture.mirror->connected);
    json.field("copied", picture.mirror->copied).field("behind_s", picture.mirror->behind_s);
    json.field("trouble", picture.mirror->trouble).end_object();
  }
  json.key("events").begin_array();
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
  for (const MeterState& meter : meters)
    if (!meter.trouble.empty())
      context.out.write(
          toned(context.style, Tone::yellow, text::printable(meter.name) + ": " + text::printable(meter.trouble)) +
          "\n");
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

/// Nothing where nobody is told of anything.
void write_tell(Context& context, const NotificationState& tell) {
  if (tell.told + tell.failed + tell.given_up + tell.waiting == 0) return;
  context.out.write("told     " + std::to_string(tell.told) + (tell.told == 1 ? " message" : " messages"));
  const auto more = [&](std::int64_t count, const char* what, Tone tone) {
    if (count > 0) context.out.write(", " + toned(context.style, tone, std::to_string(count) + what));
  };
  more(tell.failed, " tries failed", Tone::yellow);
  more(tell.given_up, " given up, see the log", Tone::red);
  more(tell.waiting, " waiting", Tone::yellow);
  context.out.write("\n");
}

/// Behind is what it lacks at most: all that was recorded since it last had everything.
void write_mirror(Context& context, const MirrorState& mirror) {
  context.out.write("mirror   ");
  const std::string behind = mirror.behind_s ? duration_text({*mirror.behind_s}) + " behind" : "not yet up to date";
  if (mirror.connected)
    context.out.write(behind + ", " + std::to_string(mirror.copied) + " readings brought\n");
  else
    context.out.write(toned(context.style, Tone::yellow, "not connected") + ", " + behind +
                      (mirror.trouble.empty() ? "" : ": " + text::printable(mirror.trouble)) + "\n");
}

void write_people(Context& context, const StatusPicture& picture) {
  context.out.write("service  " +
                    (picture.running ? toned(context.style, Tone::green, "running")
                                     : toned(context.style, Tone::yellow, "down") + ", nothing is being recorded") +
                    "\nstore    " + text::printable(picture.store_path));
  if (!picture.store) {
    context.out.write(picture.store_problem.empty() ? ", not there yet\n" : ", which cannot be read now\n");
  } else {
    context.out.write(": " + bytes_text(picture.store->bytes) + ", " + std::to_string(picture.store->samples) +
                      " readings" + (picture.store->oldest ? ", oldest " + local_text(*picture.store->oldest) : "") +
                      "\n");
  }
  for (const std::string& name : picture.quarantine)
    context.out.write("damaged  " + toned(context.style, Tone::red, text::printable(name)) +
                      ", set aside: see nightwatt salvage\n");
  if (picture.paused)
    context.out.write("paused   " +
                      toned(context.style, Tone::red, std::to_string(picture.waiting) + " readings wait in memory") +
                      ", the store cannot be written" +
                      (picture.paused_why.empty() ? "" : ": " + text::printable(picture.paused_why)) + "\n");
  write_tell(context, picture.tell);
  if (picture.mirror) write_mirror(context, *picture.mirror);
  write_meters(context, picture.meters);
  write_events(context, picture.events);
}

/// Why a meter's newest reading is not new enough; nullopt: it is.
std::optional<std::string> staleness(const StatusPicture& picture, const MeterState& meter, double limit_s) {
  const std::string name = "meter " + text::printable(meter.name) + ": ";
  const std::string why = picture.running ? "state " + text::printable(meter.state) : "the service is down";
  if (!meter.last || !meter.age_s) return name + "no reading yet, " + why;
  if (*meter.age_s <= limit_s) return std::nullopt;
  return name + "last reading " + duration_text({*meter.age_s}) + " ago (" + local_text(*meter.last) + "), " + why;
}

/// Only the meters that are recorded now: one that left the configuration may be silent.
bool is_recorded(Context& context, const StatusPicture& picture, const MeterState& meter) {
  if (picture.running) return true;
  const auto settings = context.configuration();
  if (!settings || *settings == nullptr) return true;
  const auto& meters = (*settings)->meters;
  return meters.empty() || std::any_of(meters.begin(), meters.end(),
                                       [&](const config::MeterConfig& known) { return known.name == meter.name; });
}

/// For cron, which mails whatever is printed: a line a meter that is late, nothing where all is well.
Outcome answer_stale(Context& context, const StatusPicture& picture, double limit_s) {
  std::vector<std::string> late;
  bool any = false;
  for (const MeterState& meter : picture.meters) {
    if (!is_recorded(context, picture, meter)) continue;
    any = true;
    if (auto line = staleness(picture, meter, limit_s)) late.push_back(std::move(*line));
  }
  if (!any) late.push_back(picture.running ? "no meter is configured" : "no meter is known, the service is down");
  if (!context.json)
    for (const std::string& line : late) context.out.write(line + "\n");
  return late.empty() ? 0 : 1;
}

}  // namespace

Outcome run(Context& context, const StatusArguments& arguments) {
  if (arguments.follow && arguments.stale)
    return fail(ErrorKind::input, "--stale answers once and --follow goes on: give one of the two");
  if (arguments.every && !arguments.follow) return fail(ErrorKind::input, "--every goes with --follow");
  if (arguments.follow) return follow(context, {std::nullopt, arguments.every});
  const auto limit_s = maybe_positive("--stale", arguments.stale);
  if (!limit_s) return tl::unexpected(limit_s.error());
  const auto picture = look_at_status(context);
  if (!picture) return tl::unexpected(picture.error());
  if (context.json)
    write_json(context, *picture);
  else if (!*limit_s)
    write_people(context, *picture);
  return *limit_s ? answer_stale(context, *picture, **limit_s) : 0;
}

}  // namespace nightwatt::query
