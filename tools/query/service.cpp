#include "service.hpp"

#include <charconv>
#include <functional>
#include <nlohmann/json.hpp>

#include "daemon/control.hpp"
#include "measure/signal/time_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

using Json = nlohmann::json;

constexpr double timeout_s = 5.0;  // the loop answers at once
constexpr double store_timeout_s =
    10.0;  // longer than the service waits for its store, so that it can say what is wrong

tl::unexpected<Error> strange_answer() {
  return fail(ErrorKind::unusable,
              "the service gave an answer that cannot be read; are nightwatt and nightwattd of one version?");
}

Result<Json> ask(Context& context, const Json& request, double limit_s = store_timeout_s) {
  const auto socket = context.socket_path();
  if (!socket) return tl::unexpected(socket.error());
  const auto line = daemon::control_call(*socket, request.dump() + "\n", limit_s);
  if (!line) return tl::unexpected(line.error());
  Json answer = Json::parse(*line, nullptr, false);
  if (!answer.is_object() || !answer.contains("ok") || !answer["ok"].is_boolean()) return strange_answer();
  if (answer["ok"].get<bool>()) return answer;
  const int exit = answer.contains("exit") && answer["exit"].is_number_integer() ? answer["exit"].get<int>() : 3;
  const bool said = answer.contains("error") && answer["error"].is_string();
  const std::string why = said ? answer["error"].get<std::string>() : "the service refused and did not say why";
  return fail(exit == 1   ? ErrorKind::negative
              : exit == 2 ? ErrorKind::input
                          : ErrorKind::unusable,
              text::printable(why));
}

Result<storage::RunId> run_of(const Result<Json>& answer) {
  if (!answer) return tl::unexpected(answer.error());
  if (!answer->contains("run") || !(*answer)["run"].is_number_integer()) return strange_answer();
  return (*answer)["run"].get<storage::RunId>();
}

template <class T>
std::optional<T> number_in(const Json& object, const char* key) {
  const auto found = object.find(key);
  if (found == object.end() || !found->is_number()) return std::nullopt;
  return found->get<T>();
}

std::string text_in(const Json& object, const char* key) {
  const auto found = object.find(key);
  return found != object.end() && found->is_string() ? found->get<std::string>() : std::string();
}

MeterState meter_from(const Json& object) {
  MeterState meter;
  meter.name = text_in(object, "name");
  meter.state = text_in(object, "state");
  if (const auto last = parse_time(text_in(object, "last"))) meter.last = *last;
  meter.age_s = number_in<double>(object, "age_s");
  meter.readings = number_in<std::int64_t>(object, "readings");
  meter.faults = number_in<std::int64_t>(object, "faults");
  meter.trouble = text_in(object, "trouble");
  return meter;
}

std::optional<CapturedPiece> piece_from(const Json& entry) {
  if (!entry.is_array() || entry.size() != 3 || !entry[0].is_number_integer() || !entry[1].is_boolean() ||
      !entry[2].is_string())
    return std::nullopt;
  CapturedPiece piece{UtcTime{entry[0].get<std::int64_t>()}, entry[1].get<bool>(), {}};
  const auto hex = entry[2].get<std::string>();
  constexpr int base = 16;
  for (std::size_t i = 0; i + 1 < hex.size(); i += 2) {
    unsigned byte = 0;
    const auto [end, problem] = std::from_chars(hex.data() + i, hex.data() + i + 2, byte, base);
    if (problem != std::errc() || end != hex.data() + i + 2) return std::nullopt;
    piece.bytes.push_back(static_cast<std::byte>(byte));
  }
  return piece;
}

}  // namespace

Result<Captured> service_capture(Context& context, const std::string& meter, std::optional<std::uint64_t> after) {
  Json json = {{"do", "capture"}, {"meter", meter}};
  if (after) json["after"] = *after;
  const auto answer = ask(context, json, timeout_s);
  if (!answer) return tl::unexpected(answer.error());
  const auto next = number_in<std::uint64_t>(*answer, "next");
  const auto list = answer->find("pieces");
  if (!next || list == answer->end() || !list->is_array()) return strange_answer();
  Captured captured{*next, number_in<std::uint64_t>(*answer, "missed").value_or(0), text_in(*answer, "state"), {}};
  for (const Json& entry : *list) {
    auto piece = piece_from(entry);
    if (!piece) return strange_answer();
    captured.pieces.push_back(std::move(*piece));
  }
  return captured;
}

Result<ServiceState> service_status(Context& context) {
  const auto answer = ask(context, {{"do", "status"}}, timeout_s);
  if (!answer) return tl::unexpected(answer.error());
  const auto list = answer->find("meters");
  if (list == answer->end() || !list->is_array()) return strange_answer();
  ServiceState state;
  for (const Json& object : *list)
    if (object.is_object()) state.meters.push_back(meter_from(object));
  if (const auto tell = answer->find("tell"); tell != answer->end() && tell->is_object()) {
    const auto count = [&](const char* key) { return number_in<std::int64_t>(*tell, key).value_or(0); };
    state.tell = {count("told"), count("failed"), count("given_up"), count("waiting")};
  }
  if (const auto mirror = answer->find("mirror"); mirror != answer->end() && mirror->is_object()) {
    MirrorState& there = state.mirror.emplace();
    const auto connected = mirror->find("connected");
    there.connected = connected != mirror->end() && connected->is_boolean() && connected->get<bool>();
    there.copied = number_in<std::int64_t>(*mirror, "copied").value_or(0);
    there.behind_s = number_in<double>(*mirror, "behind_s");
    there.trouble = text_in(*mirror, "trouble");
  }
  if (const auto paused = answer->find("paused"); paused != answer->end() && paused->is_boolean())
    state.paused = paused->get<bool>();
  state.paused_why = text_in(*answer, "paused_why");
  state.waiting = number_in<std::int64_t>(*answer, "queue").value_or(0);
  return state;
}

Result<storage::RunId> service_begin(Context& context, const BeginRequest& request) {
  Json json = {{"do", "begin"}, {"device", request.device}};
  if (request.meter) json["meter"] = *request.meter;
  if (!request.note.empty()) json["note"] = request.note;
  if (!request.includes.empty()) json["includes"] = request.includes;
  for (const auto& [key, value] : request.conditions) json["set"][key] = value;
  if (request.at) json["at_us"] = request.at->us;
  return run_of(ask(context, json));
}

Result<storage::RunId> service_end(Context& context, const std::optional<std::string>& meter,
                                   const std::optional<UtcTime>& at) {
  Json json = {{"do", "end"}};
  if (meter) json["meter"] = *meter;
  if (at) json["at_us"] = at->us;
  return run_of(ask(context, json));
}

Result<storage::RunId> service_split(Context& context, storage::RunId run, UtcTime at) {
  return run_of(ask(context, {{"do", "split"}, {"run", run}, {"at_us", at.us}}));
}

Result<storage::RunId> service_join(Context& context, storage::RunId run) {
  return run_of(ask(context, {{"do", "join"}, {"run", run}}));
}

namespace {

Result<void> by_service_or_here(Context& context, const Json& request,
                                const std::function<Result<void>(storage::StoreWriter&)>& here) {
  if (context.service_may_serve()) {
    const auto answer = ask(context, request);
    if (answer) return {};
    if (answer.error().kind != ErrorKind::unusable) return tl::unexpected(answer.error());
  }
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  return in_transaction(*store, [&] { return here(*store); });
}

}  // namespace

Result<void> put_mark(Context& context, const storage::Mark& mark) {
  Json request = {{"do", "mark"}, {"record_us", mark.at.us}, {"text", mark.text}};
  if (mark.run) request["run"] = *mark.run;
  if (mark.meter) request["meter"] = *mark.meter;
  if (mark.kind) request["kind"] = std::string(segment_kind_name(*mark.kind));
  return by_service_or_here(context, request, [&](storage::StoreWriter& store) { return store.put_mark(mark); });
}

Result<void> remove_mark(Context& context, std::int64_t id) {
  return by_service_or_here(context, {{"do", "unmark"}, {"mark", id}},
                            [&](storage::StoreWriter& store) { return store.remove_mark(id); });
}

}  // namespace nightwatt::query
