#include "messages.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

namespace nightwatt::daemon::page {
namespace {

using Json = nlohmann::json;

std::int64_t ms(UtcTime time) {
  return time.us / 1000;
}

template <class T>
Json or_null(const std::optional<T>& value) {
  return value ? Json(*value) : Json();
}

// A tenth of a milliwatt is below what any plug meter shows, and a double's seventeen digits would treble the message.
double short_number(double watts) {
  return std::round(watts * 1e4) / 1e4;
}

std::string line(const Json& json) {
  return json.dump(-1, ' ', false, Json::error_handler_t::replace);
}

Json kind_name(const std::optional<SegmentKind>& kind) {
  return kind ? Json(std::string(segment_kind_name(*kind))) : Json();
}

Json run_of(const OpenRun& run) {
  Json marks = Json::array();
  for (const OpenRun::MarkLine& mark : run.marks)
    marks.push_back({{"at", ms(mark.at)}, {"text", mark.text}, {"kind", kind_name(mark.kind)}});
  Json so_far = Json::array();
  for (const NamedFigure& one : run.so_far)
    so_far.push_back(
        {{"name", std::string(one.name)}, {"value_w", one.figure.value}, {"uncertainty_w", one.figure.uncertainty}});
  return {{"run", run.run},
          {"device", or_null(run.device)},
          {"note", run.note},
          {"begin", ms(run.begin)},
          {"kind", kind_name(run.kind)},
          {"kind_since", ms(run.kind_since)},
          {"level_w", or_null(run.level_w)},
          {"uncertainty_w", or_null(run.uncertainty_w)},
          {"settling", run.settling},
          {"so_far", std::move(so_far)},
          {"energy_wh", or_null(run.energy_wh)},
          {"marks", std::move(marks)}};
}

Json curve_of(const Curves& curves, const std::string& meter, bool fresh_only) {
  Json bins = Json::array();
  const auto found = curves.find(meter);
  if (found == curves.end()) return bins;
  const Curve& curve = found->second;
  for (std::size_t i = fresh_only ? curve.first_changed() : 0; i < curve.bins().size(); ++i) {
    const CurveBin& bin = curve.bins()[i];
    bins.push_back(
        {ms(bin.begin), short_number(bin.lowest_w), short_number(bin.mean_w()), short_number(bin.highest_w)});
  }
  return bins;
}

std::string_view origin_word(storage::RunOrigin origin) {
  switch (origin) {
    case storage::RunOrigin::automatic:
      return "automatic";
    case storage::RunOrigin::by_hand:
      return "by hand";
    case storage::RunOrigin::imported:
      return "imported";
    case storage::RunOrigin::entered:
      break;
  }
  return "entered";
}

Json listed(const storage::RunInfo& run, const Calendar& calendar) {
  return {{"run", run.id},
          {"device", or_null(run.device)},
          {"meter", or_null(run.meter)},
          {"begin", ms(calendar.shown(run.begin))},
          {"end", run.end ? Json(ms(calendar.shown(*run.end))) : Json()},
          {"open", !run.end},
          {"pinned", run.pinned},
          {"samples", run.samples},
          {"origin", std::string(origin_word(run.origin))},
          {"note", run.note},
          {"includes", run.includes}};
}

}  // namespace

std::string state_json(const State& state, const Curves& curves, const std::vector<OpenRun>& runs, bool fresh_only) {
  Json meters = Json::array();
  for (const MeterStatus& meter : state.service.meters) {
    const auto run =
        std::find_if(runs.begin(), runs.end(), [&](const OpenRun& open) { return open.meter == meter.name; });
    meters.push_back({{"name", meter.name},
                      {"state", meter.state},
                      {"last", meter.last ? Json(ms(*meter.last)) : Json()},
                      {"age_s", or_null(meter.age_s)},
                      {"readings", meter.readings},
                      {"faults", meter.faults},
                      {"gaps", meter.gaps},
                      {"lost", meter.lost},
                      {"gap_s", meter.gap_s},
                      {"power_w", or_null(meter.power_w)},
                      {"run", run == runs.end() ? Json() : run_of(*run)},
                      {"curve", curve_of(curves, meter.name, fresh_only)}});
  }
  return line({{"now", ms(state.now)},
               {"version", state.service.version},
               {"since", ms(state.service.since)},
               {"queue", state.service.queue},
               {"queue_limit", state.queue_limit},
               {"flush_s", state.service.flush_s},
               {"lost", state.service.lost},
               {"paused", state.service.paused},
               {"meters", std::move(meters)}});
}

std::string runs_json(const std::vector<storage::RunInfo>& runs, const std::vector<Calendar>& calendars) {
  Json list = Json::array();
  const std::size_t count = std::min(runs.size(), listed_runs);
  for (std::size_t i = 0; i < count; ++i) {
    const std::size_t place = runs.size() - 1 - i;
    list.push_back(listed(runs[place], calendars[place]));
  }
  return line({{"runs", std::move(list)}, {"more", runs.size() - count}});
}

std::string event_text(std::string_view name, std::string_view data) {
  std::string text = "event: ";
  text.append(name).append("\ndata: ").append(data).append("\n\n");
  return text;
}

}  // namespace nightwatt::daemon::page
