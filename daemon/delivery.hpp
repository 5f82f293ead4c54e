// One try to tell somebody something: a program that is run, or a request that is posted. Ends by itself in its time.
#pragma once

#include <atomic>
#include <boost/asio/io_context.hpp>
#include <cstddef>
#include <functional>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "config/config.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

class Delivery {
 public:
  virtual ~Delivery() = default;
  /// Stops at once, and does not call back.
  virtual void cancel() = 0;
};

/// Called once, on the io_context's thread, never from within the call that began the try: empty, or one line on why
/// it failed.
using Delivered = std::function<void(std::string why)>;

/// Calls back, and never again.
inline void deliver(Delivered& done, std::string why) {
  if (const Delivered once = std::exchange(done, nullptr)) once(std::move(why));
}

/// Runs `command` in a process group of its own, without a shell: `input` on its standard input, `environment` added
/// to the little that it gets of ours. Told: it exits with 0. When `limit` is over, the whole group is killed.
[[nodiscard]] std::shared_ptr<Delivery> run_hook(boost::asio::io_context& io, const std::vector<std::string>& command,
                                                 const std::string& input, const std::vector<std::string>& environment,
                                                 Duration limit, Delivered done);

/// How many names may be looked up at once; a resolver that hangs keeps a thread until it gives up by itself.
inline constexpr int lookup_limit = 8;
/// Counts them; outlives everything that looks up.
using Lookups = std::shared_ptr<std::atomic<int>>;

/// Posts `body` as JSON. Told: an answer of 200 to 299. Redirections are not followed.
[[nodiscard]] std::shared_ptr<Delivery> post_webhook(const std::shared_ptr<boost::asio::io_context>& io,
                                                     const config::WebAddress& address, const std::string& body,
                                                     Duration limit, const Lookups& lookups, Delivered done);

}  // namespace nightwatt::daemon
