#include "daemon/control_request.hpp"

#include <initializer_list>
#include <limits>
#include <nlohmann/json.hpp>

#include "daemon/text_rules.hpp"
#include "measure/signal/time_text.hpp"

namespace nightwatt::daemon {
namespace {

using Json = nlohmann::json;

// Beyond the years 1970 to 2260 an instant is a mistake, and arithmetic on it could overflow.
constexpr std::int64_t latest_us = 9'151'488'000'000'000;

tl::unexpected<Error> wrong(const std::string& what) {
  return fail(ErrorKind::input, "request: " + what);
}

Result<void> allow_only(const Json& request, std::initializer_list<std::string_view> keys) {
  for (const auto& [key, value] : request.items()) {
    bool known = false;
    for (const std::string_view allowed : keys) known = known || key == allowed;
    if (!known) return wrong("unknown key in it");
  }
  return {};
}

// An absent text is empty.
Result<std::string> text_of(const Json& request, const char* key) {
  const auto found = request.find(key);
  if (found == request.end()) return std::string();
  if (!found->is_string()) return wrong(std::string(key) + " must be text");
  return found->get<std::string>();
}

Result<std::optional<std::string>> meter_of(const Json& request) {
  auto text = text_of(request, "meter");
  if (!text) return tl::unexpected(text.error());
  if (!request.contains("meter")) return std::nullopt;
  if (auto good = check_name("meter name", *text); !good) return tl::unexpected(good.error());
  return std::optional(std::move(*text));
}

Result<std::int64_t> integer_of(const Json& request, const char* key, std::int64_t most) {
  const auto found = request.find(key);
  if (found == request.end() || !found->is_number_integer()) return wrong(std::string(key) + " must be a whole number");
  if (found->is_number_unsigned() && found->get<std::uint64_t>() > static_cast<std::uint64_t>(most))
    return wrong(std::string(key) + " is out of range");
  const auto value = found->get<std::int64_t>();
  if (value < 0 || value > most) return wrong(std::string(key) + " is out of range");
  return value;
}

Result<std::optional<UtcTime>> at_of(const Json& request) {
  if (!request.contains("at_us")) return std::nullopt;
  const auto us = integer_of(request, "at_us", latest_us);
  if (!us) return tl::unexpected(us.error());
  return std::optional(UtcTime{*us});
}

Result<std::vector<std::string>> includes_of(const Json& request) {
  std::vector<std::string> result;
  const auto found = request.find("includes");
  if (found == request.end()) return result;
  if (!found->is_array() || found->size() > list_limit) return wrong("includes must be a list of at most 64 texts");
  for (const Json& entry : *found) {
    if (!entry.is_string()) return wrong("includes must be a list of texts");
    result.push_back(entry.get<std::string>());
    if (auto good = check_name("an entry of --includes", result.back()); !good) return tl::unexpected(good.error());
  }
  return result;
}

Result<std::vector<std::pair<std::string, std::string>>> conditions_of(const Json& request) {
  std::vector<std::pair<std::string, std::string>> result;
  const auto found = request.find("set");
  if (found == request.end()) return result;
  if (!found->is_object() || found->size() > list_limit) return wrong("set must be an object of at most 64 texts");
  for (const auto& [key, value] : found->items()) {
    if (!value.is_string()) return wrong("set must be an object of texts");
    result.emplace_back(key, value.get<std::string>());
    if (auto good = check_name("a key of --set", key); !good) return tl::unexpected(good.error());
    if (auto good = check_name("a value of --set", result.back().second); !good) return tl::unexpected(good.error());
  }
  return result;
}

Result<ControlRequest> parse_begin(const Json& request) {
  if (auto good = allow_only(request, {"do", "device", "meter", "note", "includes", "set", "at_us"}); !good)
    return tl::unexpected(good.error());
  auto device = text_of(request, "device");
  if (!device) return tl::unexpected(device.error());
  if (auto good = check_name("device name", *device); !good) return tl::unexpected(good.error());
  auto note = text_of(request, "note");
  if (!note) return tl::unexpected(note.error());
  if (auto good = check_note("note", *note); !good) return tl::unexpected(good.error());
  auto meter = meter_of(request);
  if (!meter) return tl::unexpected(meter.error());
  auto includes = includes_of(request);
  if (!includes) return tl::unexpected(includes.error());
  auto conditions = conditions_of(request);
  if (!conditions) return tl::unexpected(conditions.error());
  const auto at = at_of(request);
  if (!at) return tl::unexpected(at.error());
  return BeginRequest{std::move(*device),   std::move(*meter),      std::move(*note),
                      std::move(*includes), std::move(*conditions), *at};
}

Result<ControlRequest> parse_end(const Json& request) {
  if (auto good = allow_only(request, {"do", "meter", "at_us"}); !good) return tl::unexpected(good.error());
  auto meter = meter_of(request);
  if (!meter) return tl::unexpected(meter.error());
  const auto at = at_of(request);
  if (!at) return tl::unexpected(at.error());
  return EndRequest{std::move(*meter), *at};
}

Result<ControlRequest> parse_split(const Json& request) {
  if (auto good = allow_only(request, {"do", "run", "at_us"}); !good) return tl::unexpected(good.error());
  const auto run = integer_of(request, "run", std::numeric_limits<std::int64_t>::max());
  if (!run) return tl::unexpected(run.error());
  const auto at = integer_of(request, "at_us", latest_us);
  if (!at) return tl::unexpected(at.error());
  return SplitRequest{*run, UtcTime{*at}};
}

Result<ControlRequest> parse_join(const Json& request) {
  if (auto good = allow_only(request, {"do", "run"}); !good) return tl::unexpected(good.error());
  const auto run = integer_of(request, "run", std::numeric_limits<std::int64_t>::max());
  if (!run) return tl::unexpected(run.error());
  return JoinRequest{*run};
}

Result<ControlRequest> parse_mark(const Json& request) {
  if (auto good = allow_only(request, {"do", "run", "meter", "record_us", "text", "kind"}); !good)
    return tl::unexpected(good.error());
  MarkRequest marking;
  storage::Mark& mark = marking.mark;
  auto meter = meter_of(request);
  if (!meter) return tl::unexpected(meter.error());
  mark.meter = std::move(*meter);
  if (request.contains("run")) {
    const auto run = integer_of(request, "run", std::numeric_limits<std::int64_t>::max());
    if (!run) return tl::unexpected(run.error());
    mark.run = *run;
  }
  if (mark.run.has_value() == mark.meter.has_value()) return wrong("a mark needs run or meter, one of them");
  const auto at = integer_of(request, "record_us", latest_us);
  if (!at) return tl::unexpected(at.error());
  mark.at = UtcTime{*at};
  auto text = text_of(request, "text");
  if (!text) return tl::unexpected(text.error());
  if (auto good = check_note("the mark's text", *text); !good) return tl::unexpected(good.error());
  mark.text = std::move(*text);
  const auto kind = text_of(request, "kind");
  if (!kind) return tl::unexpected(kind.error());
  mark.kind = segment_kind_from_name(*kind);
  if (request.contains("kind") && (!mark.kind || *mark.kind == SegmentKind::gap))
    return wrong("kind is none that a segment can be called");
  return marking;
}

Result<ControlRequest> parse_unmark(const Json& request) {
  if (auto good = allow_only(request, {"do", "mark"}); !good) return tl::unexpected(good.error());
  const auto id = integer_of(request, "mark", std::numeric_limits<std::int64_t>::max());
  if (!id) return tl::unexpected(id.error());
  MarkRequest marking;
  marking.mark.id = *id;
  marking.remove = true;
  return marking;
}

Result<ControlRequest> parse_capture(const Json& request) {
  if (auto good = allow_only(request, {"do", "meter", "after"}); !good) return tl::unexpected(good.error());
  auto meter = meter_of(request);
  if (!meter) return tl::unexpected(meter.error());
  if (!*meter) return wrong("meter is missing");
  CaptureRequest capture{std::move(**meter), std::nullopt};
  if (!request.contains("after")) return capture;
  const auto after = integer_of(request, "after", std::numeric_limits<std::int64_t>::max());
  if (!after) return tl::unexpected(after.error());
  capture.after = static_cast<std::uint64_t>(*after);
  return capture;
}

// The other way: each has the keys that its parse_*() allows, and no key for what is not said.

template <class T>
void put(Json& json, const char* key, const std::optional<T>& value) {
  if (value) json[key] = *value;
}
void put(Json& json, const char* key, const std::optional<UtcTime>& at) {
  if (at) json[key] = at->us;
}

Json json_of(const StatusRequest&) {
  return {{"do", "status"}};
}

Json json_of(const CaptureRequest& capture) {
  Json json = {{"do", "capture"}, {"meter", capture.meter}};
  put(json, "after", capture.after);
  return json;
}

Json json_of(const BeginRequest& begin) {
  Json json = {{"do", "begin"}, {"device", begin.device}};
  put(json, "meter", begin.meter);
  if (!begin.note.empty()) json["note"] = begin.note;
  if (!begin.includes.empty()) json["includes"] = begin.includes;
  for (const auto& [key, value] : begin.conditions) json["set"][key] = value;
  put(json, "at_us", begin.at);
  return json;
}

Json json_of(const EndRequest& end) {
  Json json = {{"do", "end"}};
  put(json, "meter", end.meter);
  put(json, "at_us", end.at);
  return json;
}

Json json_of(const SplitRequest& split) {
  return {{"do", "split"}, {"run", split.run}, {"at_us", split.at.us}};
}

Json json_of(const JoinRequest& join) {
  return {{"do", "join"}, {"run", join.run}};
}

Json json_of(const MarkRequest& marking) {
  const storage::Mark& mark = marking.mark;
  if (marking.remove) return {{"do", "unmark"}, {"mark", mark.id}};
  Json json = {{"do", "mark"}, {"record_us", mark.at.us}, {"text", mark.text}};
  put(json, "run", mark.run);
  put(json, "meter", mark.meter);
  if (mark.kind) json["kind"] = std::string(segment_kind_name(*mark.kind));
  return json;
}

std::string hex_of(const std::vector<std::byte>& bytes) {
  constexpr std::string_view digits = "0123456789abcdef";
  std::string text;
  text.reserve(2 * bytes.size());
  for (const std::byte byte : bytes) {
    text += digits[std::to_integer<std::size_t>(byte >> 4U)];
    text += digits[std::to_integer<std::size_t>(byte & std::byte{0x0F})];
  }
  return text;
}

std::string line(const Json& json) {
  return json.dump(-1, ' ', false, Json::error_handler_t::replace) + '\n';
}

}  // namespace

Result<std::string> request_line(const ControlRequest& request) {
  const Json json = std::visit([](const auto& one) { return json_of(one); }, request);
  try {
    return json.dump() + '\n';
  } catch (const Json::type_error&) {  // what JSON cannot say: bytes that are no text
    return fail(ErrorKind::input, "a name or a note is not UTF-8 text: retype it");
  }
}

Result<ControlRequest> parse_control_request(std::string_view text) {
  const Json request = Json::parse(text.begin(), text.end(), nullptr, false);
  if (!request.is_object()) return wrong("not a JSON object in one line");
  const auto what = text_of(request, "do");
  if (!what) return tl::unexpected(what.error());
  if (*what == "begin") return parse_begin(request);
  if (*what == "end") return parse_end(request);
  if (*what == "split") return parse_split(request);
  if (*what == "join") return parse_join(request);
  if (*what == "mark") return parse_mark(request);
  if (*what == "unmark") return parse_unmark(request);
  if (*what == "capture") return parse_capture(request);
  if (*what != "status") return wrong("do must be status, begin, end, split, join, mark, unmark or capture");
  if (auto good = allow_only(request, {"do"}); !good) return tl::unexpected(good.error());
  return StatusRequest{};
}

std::string status_answer(const ServiceStatus& status) {
  Json meters = Json::array();
  for (const MeterStatus& meter : status.meters) {
    meters.push_back({{"name", meter.name},
                      {"state", meter.state},
                      {"last", meter.last ? Json(utc_text(*meter.last)) : Json()},
                      {"age_s", meter.age_s ? Json(*meter.age_s) : Json()},
                      {"readings", meter.readings},
                      {"faults", meter.faults},
                      {"trouble", meter.trouble},
                      {"lost", meter.lost}});
  }
  Json mirror;
  if (status.mirror)
    mirror = {{"connected", status.mirror->connected},
              {"copied", status.mirror->copied},
              {"behind_s", status.mirror->behind_s ? Json(*status.mirror->behind_s) : Json()},
              {"trouble", status.mirror->trouble}};
  return line({{"ok", true},
               {"version", status.version},
               {"since", utc_text(status.since)},
               {"meters", std::move(meters)},
               {"queue", status.queue},
               {"flush_s", status.flush_s},
               {"lost", status.lost},
               {"paused", status.paused},
               {"paused_why", status.paused ? Json(status.paused_why) : Json()},
               {"tell",
                {{"told", status.tell.told},
                 {"failed", status.tell.failed},
                 {"given_up", status.tell.given_up},
                 {"waiting", status.tell.waiting}}},
               {"mirror", std::move(mirror)}});
}

std::vector<std::pair<std::string, std::string>> troubles_of(std::string_view status_answer) {
  std::vector<std::pair<std::string, std::string>> troubles;
  const Json answer = Json::parse(status_answer, nullptr, false);
  if (!answer.is_object() || !answer.contains("meters") || !answer["meters"].is_array()) return troubles;
  for (const Json& meter : answer["meters"]) {
    if (!meter.is_object()) continue;
    const auto name = meter.find("name"), trouble = meter.find("trouble");
    if (name == meter.end() || trouble == meter.end() || !name->is_string() || !trouble->is_string()) continue;
    if (!trouble->get<std::string>().empty())
      troubles.emplace_back(name->get<std::string>(), trouble->get<std::string>());
  }
  return troubles;
}

std::string capture_answer(const PortTap::Answer& tapped, const std::string& state) {
  Json pieces = Json::array();
  for (const TappedPiece& piece : tapped.pieces) pieces.push_back({piece.at.us, piece.sent, hex_of(piece.bytes)});
  return line({{"ok", true},
               {"state", state},
               {"next", tapped.next},
               {"missed", tapped.missed},
               {"pieces", std::move(pieces)}});
}

std::string run_answer(storage::RunId run) {
  return line({{"ok", true}, {"run", run}});
}

std::string error_answer(const Error& error) {
  return line({{"ok", false}, {"exit", static_cast<int>(error.kind)}, {"error", error.message}});
}

}  // namespace nightwatt::daemon
