#include "service.hpp"

#include <charconv>
#include <functional>
#include <nlohmann/json.hpp>
#include <variant>

#include "daemon/control.hpp"
#include "daemon/control_request.hpp"
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

Result<Json> ask(Context& context, const daemon::ControlRequest& request, double limit_s = store_timeout_s) {
  const auto socket = context.socket_path();
  if (!socket) return tl::unexpected(socket.error());
  const auto asked = daemon::request_line(request);
  if (!asked) return tl::unexpected(asked.error());
  const auto line = daemon::control_call(*socket, *asked, limit_s);
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
  const auto answer = ask(context, daemon::CaptureRequest{meter, after}, timeout_s);
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
  const auto answer = ask(context, daemon::StatusRequest{}, timeout_s);
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

Result<storage::RunId> ask_for_run(Context& context, const daemon::RunRequest& request) {
  return run_of(ask(context, std::visit([](const auto& one) -> daemon::ControlRequest { return one; }, request)));
}

namespace {

Result<void> by_service_or_here(Context& context, const daemon::MarkRequest& request,
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
  return by_service_or_here(context, {mark}, [&](storage::StoreWriter& store) { return store.apply(mark); });
}

Result<void> remove_mark(Context& context, std::int64_t id) {
  daemon::MarkRequest request;
  request.mark.id = id;
  request.remove = true;
  return by_service_or_here(context, request,
                            [&](storage::StoreWriter& store) { return store.apply(storage::RemoveMark{id}); });
}

}  // namespace nightwatt::query
