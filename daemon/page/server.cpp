#include "server.hpp"

#include <algorithm>
#include <boost/asio/ip/v6_only.hpp>
#include <boost/asio/post.hpp>

namespace nightwatt::daemon::page {

namespace asio = boost::asio;
using boost::system::error_code;

Server::Server(asio::io_context& io, PageParts& parts, StoreQueries& queries, config::PageConfig config,
               GateSettings gate)
    : io_(io),
      parts_(parts),
      queries_(queries),
      config_(std::move(config)),
      gate_(std::move(gate)),
      acceptor_(io),
      accept_timer_(io),
      sweep_timer_(io),
      tick_timer_(io),
      filler_(std::make_shared<const std::string>(":" + std::string(filler_bytes, ' ') + "\n\n")) {}

void Server::start() {
  listen();
  tick();
}

void Server::stop() {
  if (std::exchange(stopped_, true)) return;
  error_code ignored;
  acceptor_.close(ignored);
  accept_timer_.cancel();
  sweep_timer_.cancel();
  tick_timer_.cancel();
  waiting_.clear();
  const std::set<Client> clients = clients_;
  for (const Client& client : clients) client->close();
}

std::string Server::url() const {
  const bool six = config_.address.find(':') != std::string::npos;
  return "http://" + (six ? "[" + config_.address + "]" : config_.address) + ":" + std::to_string(config_.port) + "/";
}

void Server::listen() {
  error_code failed;
  const Tcp::endpoint place(asio::ip::make_address(config_.address, failed), config_.port);
  if (!failed) acceptor_.open(place.protocol(), failed);
  if (!failed) acceptor_.set_option(Tcp::acceptor::reuse_address(true), failed);
  if (!failed && place.protocol() == Tcp::v6()) acceptor_.set_option(asio::ip::v6_only(true), failed);
  if (!failed) acceptor_.bind(place, failed);
  if (!failed) acceptor_.listen(listen_backlog, failed);
  if (failed) return listen_later(failed.message());
  told_trouble_ = false;
  listen_pause_ = first_listen_pause;
  say(LogLevel::info, "listening on " + url());
  accept();
}

// Said once; recording does not depend on it.
void Server::listen_later(const std::string& why) {
  error_code ignored;
  acceptor_.close(ignored);
  if (!std::exchange(told_trouble_, true))
    say(LogLevel::warning, url() + " cannot be had: " + why + "; recording goes on, the page tries again");
  accept_timer_.expires_after(listen_pause_);
  listen_pause_ = std::min(listen_pause_ * 2, longest_listen_pause);
  accept_timer_.async_wait([this, self = shared_from_this()](error_code ec) {
    if (!ec && !stopped_) listen();
  });
}

void Server::accept() {
  acceptor_.async_accept([this, self = shared_from_this()](error_code ec, Tcp::socket socket) {
    if (ec == asio::error::operation_aborted || stopped_) return;
    if (ec) return accept_later();
    serve(std::move(socket));
    accept();
  });
}

void Server::accept_later() {
  accept_timer_.expires_after(accept_pause);
  accept_timer_.async_wait([this, self = shared_from_this()](error_code ec) {
    if (!ec && !stopped_) accept();
  });
}

void Server::serve(Tcp::socket socket) {
  if (clients_.size() >= connection_limit && !make_room()) {
    ++counts_.refused;
    return;  // the socket closes itself
  }
  const auto client = std::make_shared<Connection>(std::move(socket), *this);
  clients_.insert(client);
  client->start();
  arm_sweep();
}

// Whoever keeps a request back for longest gives its place up, so that idle clients lock nobody out.
bool Server::make_room() {
  Client longest;
  for (const Client& client : clients_)
    if (client->keeps_request_back() && (!longest || client->timeouts().since() < longest->timeouts().since()))
      longest = client;
  if (longest) longest->close();
  return longest != nullptr;
}

void Server::gone(const Client& client) {
  if (client->stream()) --counts_.streams;
  clients_.erase(client);
}

void Server::made_no_sense() {
  ++counts_.requests;
  ++counts_.refused;
}

void Server::arm_sweep() {
  if (std::exchange(sweeping_, true)) return;
  sweep_timer_.expires_after(sweep_every);
  sweep_timer_.async_wait([this, self = shared_from_this()](error_code ec) {
    sweeping_ = false;
    if (!ec && !stopped_) sweep();
  });
}

void Server::sweep() {
  const MonoTime time = now();
  const std::set<Client> clients = clients_;
  for (const Client& client : clients)
    if (client->sweep(time) && client->stream()) ++counts_.dropped;
  if (!clients_.empty()) arm_sweep();
}

// The loop is asked, and answers on its own thread; whoever asks meanwhile waits for the same answer.
void Server::with_state(std::function<void()> then) {
  if (state_ && now() - state_at_ < state_age) return then();
  waiting_.push_back(std::move(then));
  if (std::exchange(asking_, true)) return;
  parts_.ask_state([this, self = shared_from_this()](State state) {
    asio::post(io_, [this, self, state = std::move(state)]() mutable { take_state(std::move(state)); });
  });
}

void Server::take_state(State state) {
  asking_ = false;
  if (stopped_) return;
  Curves kept;
  for (std::size_t i = 0; i < state.service.meters.size(); ++i) {
    const std::string& name = state.service.meters[i].name;
    Curve& curve = kept[name] = std::move(curves_[name]);
    curve.add(state.fresh[i]);
  }
  curves_ = std::move(kept);
  state_ = std::move(state);
  state_at_ = now();
  for (const auto& then : std::exchange(waiting_, {})) then();
}

void Server::tick() {
  with_state([this] {
    if (counts_.streams > 0) tell_watchers();
    arm_tick();
  });
}

void Server::arm_tick() {
  tick_timer_.expires_after(counts_.streams > 0 ? live_period : unwatched_period);
  tick_timer_.async_wait([this, self = shared_from_this()](error_code ec) {
    if (!ec && !stopped_) tick();
  });
}

// One text for all; those that do not say what they have seen get filler with it.
void Server::tell_watchers() {
  refresh_open_runs();
  const auto text =
      std::make_shared<const std::string>(event_text("state", state_json(*state_, curves_, open_runs_, true)));
  for (auto& [name, curve] : curves_) curve.told();
  const std::set<Client> clients = clients_;
  for (const Client& client : clients) {
    if (!client->stream()) continue;
    const bool filled = !client->timeouts().tells() && client->took_all();
    const bool kept = client->push(text) && (!filled || client->push(filler_));
    if (!kept) ++counts_.dropped;
  }
}

void Server::refresh_open_runs() {
  const MonoTime time = now();
  if (open_runs_wanted_ || (open_runs_asked_ && time - *open_runs_asked_ < figures_period)) return;
  open_runs_asked_ = time;
  open_runs_wanted_ = queries_.ask([this, self = shared_from_this()](const Result<const storage::StoreReader*>& store) {
    auto runs = store ? open_runs(**store) : Result<std::vector<OpenRun>>(tl::unexpected(store.error()));
    asio::post(io_, [this, self, runs = std::move(runs)]() mutable {
      open_runs_wanted_ = false;
      if (runs) open_runs_ = std::move(*runs);
    });
  });
}

void Server::start_stream(const Client& client) {
  if (counts_.streams >= stream_limit) {
    Answer full = plain(503, "As many watchers as the page takes are here already.");
    full.headers = {{"Retry-After", "30"}};
    return send(client, full);
  }
  const std::uint64_t id = next_stream_++;
  client->start_stream(id);
  if (client->stream()) ++counts_.streams;
  with_state([this, client, id] {
    refresh_open_runs();
    std::string text = "retry: 3000\n" + event_text("hello", "{\"stream\":" + std::to_string(id) + "}") +
                       event_text("state", state_json(*state_, curves_, open_runs_, false));
    if (client->stream()) (void)client->push(std::make_shared<const std::string>(std::move(text)));
  });
  if (counts_.streams == 1) arm_tick();
}

}  // namespace nightwatt::daemon::page
