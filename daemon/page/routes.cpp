// What the page answers to which path.
#include <boost/asio/post.hpp>

#include "figures/comparison.hpp"
#include "figures/figures.hpp"
#include "figures/run_json.hpp"
#include "report/report.hpp"
#include "server.hpp"
#include "site.hpp"
#include "text/json_text.hpp"
#include "text/sink.hpp"

namespace nightwatt::daemon::page {

namespace asio = boost::asio;

namespace {

constexpr const char* json_type = "application/json";

// The report's page names its own script and style by their hashes; the answer's header says the same and forbids
// frames.
std::string policy_of(std::string_view html) {
  constexpr std::string_view before = "http-equiv=\"Content-Security-Policy\" content=\"";
  const std::size_t at = html.find(before);
  if (at == std::string_view::npos) return "default-src 'none'; frame-ancestors 'none'";
  const std::string_view rest = html.substr(at + before.size());
  return std::string(rest.substr(0, rest.find('"'))) + "; frame-ancestors 'none'";
}

Result<std::string> run_document(const storage::StoreReader& store, storage::RunId run, bool of_segments) {
  const auto snapshot = store.snapshot();
  if (!snapshot) return tl::unexpected(snapshot.error());
  const auto info = store.run(run);
  if (!info) return tl::unexpected(info.error());
  const auto record = figures::run_record(store, *info);
  if (!record) return tl::unexpected(record.error());
  return text::json_string([&](text::JsonWriter& json) {
    if (!of_segments) return figures::write_summary(json, *record, nullptr);
    json.begin_document();
    figures::write_run_name(json, record->info);
    json.key("segments");
    figures::write_segments(json, record->segments, record->calendar);
    json.end_object();
  });
}

Result<std::string> comparison_document(const storage::StoreReader& store) {
  const auto all = figures::comparison_of(store, {});
  if (!all) return tl::unexpected(all.error());
  return text::json_string([&](text::JsonWriter& json) { figures::write_comparison(json, *all); });
}

Answer of_error(const Error& error) {
  if (error.kind == ErrorKind::negative) return plain(404, "No such run.");
  return plain(503, "The store cannot be read now.");
}

}  // namespace

void Server::asked(const Client& client, const Request& request) {
  ++counts_.requests;
  auto verdict = gate_.judge(request, now());
  if (const Answer* refusal = std::get_if<Answer>(&verdict)) return send(client, *refusal);
  route(client, std::get<Target>(verdict), request.accept);
}

void Server::send(const Client& client, const Answer& answer) {
  if (answer.status >= 400) ++counts_.refused;
  client->answer(answer);
}

void Server::route(const Client& client, const Target& target, const std::string& accept) {
  if (const auto file = site_file(target.path)) {
    Answer answer;
    answer.type = std::string(file->type);
    answer.body = std::string(file->text);
    return send(client, answer);
  }
  if (target.path == "/live") return start_stream(client);
  if (target.path == "/live/seen") return note_seen(client, target);
  if (target.path == "/metrics") return send_metrics(client, metrics_form(accept));
  if (target.path == "/runs.json") return send_run_list(client);
  if (const auto run = run_of_path(target.path)) return send_report(client, *run);
  if (target.path.ends_with(".json")) return send_json(client, target.path);
  send(client, plain(404, "There is nothing here."));
}

void Server::note_seen(const Client& client, const Target& target) {
  for (const Client& other : clients_) {
    if (!target.stream || other->stream() != target.stream) continue;
    other->timeouts().seen(now());
    Answer noted = plain(204, "");
    noted.body.clear();
    return send(client, noted);
  }
  send(client, plain(404, "No such stream."));
}

void Server::send_metrics(const Client& client, MetricsForm form) {
  with_state([this, client, form] {
    counts_.connections = clients_.size();
    Answer answer;
    answer.type = form == MetricsForm::open ? metrics_content_type : metrics_text_type;
    answer.body = metrics_text(*state_, counts_, storage::store_bytes(parts_.store_path), form);
    send(client, answer);
  });
}

void Server::send_run_list(const Client& client) {
  ask_store(client, [](const storage::StoreReader& store) {
    auto list = run_list(store);
    if (!list) return of_error(list.error());
    Answer answer;
    answer.type = json_type;
    answer.body = std::move(*list);
    return answer;
  });
}

// The same documents as `compare --json`, `summary RUN --json` and `segments RUN --json`.
void Server::send_json(const Client& client, std::string_view path) {
  const std::string_view name = path.substr(0, path.size() - std::string_view(".json").size());
  constexpr std::string_view segments = "/segments";
  const bool of_segments = name.ends_with(segments);
  const auto run = run_of_path(of_segments ? name.substr(0, name.size() - segments.size()) : name);
  if (!run && name != "/compare") return send(client, plain(404, "There is nothing here."));
  ask_store(client, [run, of_segments](const storage::StoreReader& store) {
    auto body = run ? run_document(store, *run, of_segments) : comparison_document(store);
    if (!body) return of_error(body.error());
    Answer answer;
    answer.type = json_type;
    answer.body = std::move(*body);
    return answer;
  });
}

void Server::send_report(const Client& client, storage::RunId run) {
  ask_store(client, [run, made = parts_.clock.utc()](const storage::StoreReader& store) {
    const auto info = store.run(run);
    if (!info) return of_error(info.error());
    const auto report = report::report_of(store, {{std::to_string(run)}, "", "", made});
    if (!report) return plain(503, report.error().message);
    Answer answer;
    answer.type = html_type;
    answer.body = report::report_page(*report);
    answer.headers = {{"Content-Security-Policy", policy_of(answer.body)}};
    return answer;
  });
}

// The answer goes out when the store has been read, if the client is still there.
void Server::ask_store(const Client& client, std::function<Answer(const storage::StoreReader&)> question) {
  const std::weak_ptr<Connection> weak = client;
  const bool taken =
      queries_.ask([this, self = shared_from_this(), weak, question = std::move(question)](const auto& store) {
        if (weak.expired()) return;  // gone meanwhile
        Answer answer = store ? question(**store) : of_error(store.error());
        asio::post(io_, [this, self, weak, answer = std::move(answer)] {
          if (const Client there = weak.lock()) send(there, answer);
        });
      });
  if (taken) return;
  Answer busy = plain(503, "Too many questions wait for the store; try again.");
  busy.headers = {{"Retry-After", "5"}};
  send(client, busy);
}

}  // namespace nightwatt::daemon::page
