// The page's listener: takes connections, answers from the running state and the store, keeps watchers told.
#pragma once

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/steady_timer.hpp>
#include <functional>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "config/config.hpp"
#include "connection.hpp"
#include "daemon/log.hpp"
#include "daemon/status_page.hpp"
#include "gate.hpp"
#include "messages.hpp"
#include "metrics.hpp"
#include "store_queries.hpp"

namespace nightwatt::daemon::page {

/// One listening address with all its clients. Page thread. Its handlers keep it alive; after stop() they do nothing.
class Server final : public ConnectionOwner, public std::enable_shared_from_this<Server> {
 public:
  Server(boost::asio::io_context& io, PageParts& parts, StoreQueries& queries, config::PageConfig config,
         GateSettings gate);

  void start();
  void stop();

  void asked(const std::shared_ptr<Connection>& client, const Request& request) override;
  void made_no_sense() override;
  void gone(const std::shared_ptr<Connection>& client) override;
  [[nodiscard]] MonoTime now() const override { return parts_.clock.monotonic(); }
  [[nodiscard]] UtcTime date() const override { return parts_.clock.utc(); }

 private:
  using Tcp = boost::asio::ip::tcp;
  using Client = std::shared_ptr<Connection>;

  // listening
  void listen();
  void listen_later(const std::string& why);
  void accept();
  void accept_later();
  void serve(Tcp::socket socket);
  [[nodiscard]] bool make_room();
  void sweep();
  void arm_sweep();

  // answering
  void route(const Client& client, const Target& target, const std::string& accept);
  void send(const Client& client, const Answer& answer);
  void send_metrics(const Client& client, MetricsForm form);
  void send_json(const Client& client, std::string_view path);
  void send_run_list(const Client& client);
  void send_report(const Client& client, storage::RunId run);
  void ask_store(const Client& client, std::function<Answer(const storage::StoreReader&)> question);
  void note_seen(const Client& client, const Target& target);

  // the running state
  void with_state(std::function<void()> then);
  void take_state(State state);
  void start_stream(const Client& client);
  void tick();
  void arm_tick();
  void refresh_open_runs();
  void tell_watchers();

  [[nodiscard]] std::string url() const;
  void say(LogLevel level, const std::string& text) const { parts_.log(level, "page: " + text); }

  boost::asio::io_context& io_;
  PageParts& parts_;
  StoreQueries& queries_;
  const config::PageConfig config_;
  Gate gate_;
  Tcp::acceptor acceptor_;
  boost::asio::steady_timer accept_timer_;
  boost::asio::steady_timer sweep_timer_;
  boost::asio::steady_timer tick_timer_;
  bool stopped_ = false;
  bool told_trouble_ = false;  ///< that the address cannot be had
  Duration listen_pause_{first_listen_pause};
  bool sweeping_ = false;

  std::set<Client> clients_;
  std::uint64_t next_stream_ = 1;
  PageCounts counts_;

  std::optional<State> state_;
  MonoTime state_at_;
  bool asking_ = false;
  std::vector<std::function<void()>> waiting_;
  Curves curves_;
  std::vector<OpenRun> open_runs_;
  std::optional<MonoTime> open_runs_asked_;
  bool open_runs_wanted_ = false;  ///< asked for, not yet answered
  const Outbox::Text filler_;
};

}  // namespace nightwatt::daemon::page
