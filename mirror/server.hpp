// One connection to a PostgreSQL server: statements with their values apart, rows as texts, COPY in pieces.
#pragma once

#include <atomic>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"

namespace nightwatt::mirror {

using Value = std::optional<std::string>;  ///< as PostgreSQL writes it; none: NULL
using Texts = std::vector<Value>;

/// A caller that is not to wait any longer says so here, from any thread.
struct Cancellation {
  std::atomic<bool> over{false};
  std::atomic<int> socket{-1};  ///< of the connection that is waited on
  /// Wakes whoever waits for the server.
  void end();
};

/// One thread but for Cancellation::end(). Every error is ErrorKind::unusable and one line.
class Server {
 public:
  /// `conninfo` is libpq's; what it does not say of time-outs is added, so that a dead network is noticed.
  [[nodiscard]] static Result<Server> connect(const std::string& conninfo, Cancellation& cancellation);
  Server(Server&&) noexcept;
  Server& operator=(Server&&) = delete;
  ~Server();

  [[nodiscard]] Result<std::vector<Texts>> ask(const std::string& sql, const Texts& values = {});
  [[nodiscard]] Result<void> tell(const std::string& sql, const Texts& values = {});
  /// Several statements in one text, without values.
  [[nodiscard]] Result<void> run(const std::string& sql);

  /// `COPY ... FROM STDIN`; then pieces; then the end, which says whether the server took it.
  [[nodiscard]] Result<void> begin_copy(const std::string& sql);
  [[nodiscard]] Result<void> copy(std::string_view piece);
  [[nodiscard]] Result<void> end_copy();

 private:
  class Impl;
  explicit Server(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

[[nodiscard]] std::string bytea(std::string_view bytes);                     ///< `\x...`
[[nodiscard]] std::string bytea_array(const std::vector<std::string>& all);  ///< `{"\\x...", ...}`
[[nodiscard]] Result<std::string> from_bytea(std::string_view text);

}  // namespace nightwatt::mirror
