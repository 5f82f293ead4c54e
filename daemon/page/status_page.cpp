#include "daemon/status_page.hpp"

#include <boost/asio/executor_work_guard.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <thread>
#include <utility>

#include "server.hpp"

namespace nightwatt::daemon {

namespace asio = boost::asio;

class StatusPage::Impl {
 public:
  explicit Impl(PageParts parts) : parts_(std::move(parts)), io_(1), queries_(parts_.store_path) {}
  ~Impl() { stop(); }
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  void configure(const config::PageConfig& config) {
    if (!config.on() && !thread_.joinable()) return;
    if (!thread_.joinable()) {
      work_.emplace(io_.get_executor());
      thread_ = std::thread([this] { io_.run(); });
    }
    asio::post(io_, [this, config] { take(config); });
  }

  void stop() {
    if (!thread_.joinable()) return;
    asio::post(io_, [this] {
      if (server_) server_->stop();
    });
    // The desk first: its answers go to the io_context while there still is one that runs.
    queries_.stop();
    work_.reset();
    thread_.join();
  }

 private:
  void say(LogLevel level, const std::string& text) const { parts_.log(level, "page: " + text); }

  // Page thread.
  void take(const config::PageConfig& config) {
    if (server_) server_->stop();
    server_.reset();
    if (!config.on()) return say(LogLevel::info, "off");
    auto token = config::page_token(config);
    if (!token) return say(LogLevel::error, "not served: " + token.error().message);
    auto secret = page::random_secret();
    if (!secret) return say(LogLevel::error, "not served: the system gives no random numbers");
    page::GateSettings gate{config::is_loopback(config.address), std::move(*token), std::move(*secret)};
    server_ = std::make_shared<page::Server>(io_, parts_, queries_, config, std::move(gate));
    server_->start();
  }

  PageParts parts_;
  asio::io_context io_;
  page::StoreQueries queries_;
  std::shared_ptr<page::Server> server_;
  std::optional<asio::executor_work_guard<asio::io_context::executor_type>> work_;
  std::thread thread_;
};

StatusPage::StatusPage(PageParts parts) : impl_(std::make_unique<Impl>(std::move(parts))) {}
StatusPage::~StatusPage() = default;

void StatusPage::configure(const config::PageConfig& config) {
  impl_->configure(config);
}
void StatusPage::stop() {
  impl_->stop();
}

}  // namespace nightwatt::daemon
