// A PostgreSQL server of Debian's package in a folder of its own, for as long as a test lasts.
#pragma once

#include <memory>
#include <optional>
#include <string>

namespace nightwatt::mirror::test {

/// Owns the server and its folder. Run by the user postgres where the test is root, whom the server refuses.
class Postgres {
 public:
  /// nullptr, after saying so loudly, where the server is not installed.
  static std::unique_ptr<Postgres> start();
  ~Postgres();
  Postgres(const Postgres&) = delete;
  Postgres& operator=(const Postgres&) = delete;

  /// For the superuser, or a role of this name.
  [[nodiscard]] std::string conninfo(const std::string& database = "rigs", const std::string& role = "postgres") const;
  /// What psql says to a statement, without its last line break.
  [[nodiscard]] std::string sql(const std::string& statement, const std::string& database = "rigs") const;
  void kill();  ///< at once, as by kill -9
  void run_again();

 private:
  explicit Postgres(std::string folder) : folder_(std::move(folder)) {}
  [[nodiscard]] std::string as_server(const std::string& command) const;
  std::string folder_;
};

}  // namespace nightwatt::mirror::test
