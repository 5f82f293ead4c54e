#include "postgres.hpp"

#include <unistd.h>

#include <array>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <iostream>
#include <stdexcept>

namespace nightwatt::mirror::test {
namespace {

namespace fs = std::filesystem;

/// Where Debian puts the newest version's programs.
std::string programs() {
  std::string newest;
  std::error_code ignored;
  for (const auto& entry : fs::directory_iterator("/usr/lib/postgresql", ignored))
    if (fs::exists(entry.path() / "bin/postgres") && entry.path().string() > newest) newest = entry.path().string();
  return newest.empty() ? newest : newest + "/bin/";
}

std::string output_of(const std::string& command, int* status = nullptr) {
  std::string text;
  FILE* pipe = ::popen((command + " 2>&1").c_str(), "r");
  if (pipe == nullptr) throw std::runtime_error("no shell for: " + command);
  std::array<char, 4096> piece{};
  for (std::size_t got; (got = std::fread(piece.data(), 1, piece.size(), pipe)) > 0;) text.append(piece.data(), got);
  const int ended = ::pclose(pipe);
  if (status != nullptr) *status = ended;
  while (!text.empty() && text.back() == '\n') text.pop_back();
  return text;
}

}  // namespace

std::unique_ptr<Postgres> Postgres::start() {
  if (programs().empty()) {
    std::cerr << "SKIPPED: no PostgreSQL server here; Debian's package postgresql has it\n";
    return nullptr;
  }
  std::string folder = (fs::temp_directory_path() / "nightwatt-postgres-XXXXXX").string();
  if (::mkdtemp(folder.data()) == nullptr) throw std::runtime_error("no folder could be made: " + folder);
  if (::geteuid() == 0) (void)output_of("chown postgres " + folder);
  std::unique_ptr<Postgres> server(new Postgres(folder));
  int status = 0;
  // Sync off: a test's data need not survive a power cut, and kill -9 it survives without.
  const std::string made =
      output_of(server->as_server("initdb --no-sync -A trust -U postgres -D " + folder + "/data"), &status);
  if (status != 0) throw std::runtime_error(made);
  server->run_again();
  (void)server->sql("CREATE DATABASE rigs", "postgres");
  return server;
}

Postgres::~Postgres() {
  (void)output_of(as_server("pg_ctl -m immediate -D " + folder_ + "/data stop"));
  std::error_code ignored;
  fs::remove_all(folder_, ignored);
}

std::string Postgres::as_server(const std::string& command) const {
  return (::geteuid() == 0 ? "cd / && runuser -u postgres -- " : "") + programs() + command;
}

std::string Postgres::conninfo(const std::string& database, const std::string& role) const {
  return "host=" + folder_ + " dbname=" + database + " user=" + role;
}

std::string Postgres::sql(const std::string& statement, const std::string& database) const {
  return output_of(programs() + "psql -X -q -A -t -v ON_ERROR_STOP=1 -d '" + conninfo(database) + "' -c \"" +
                   statement + "\"");
}

void Postgres::kill() {
  (void)output_of("kill -9 $(head -1 " + folder_ + "/data/postmaster.pid)");
}

void Postgres::run_again() {
  int status = 0;
  // A killed server's lock file stays until its children are gone.
  for (int i = 0; i < 20; ++i) {
    const std::string said = output_of(as_server("pg_ctl -w -D " + folder_ + "/data -l " + folder_ + "/log -o \"-k " +
                                                 folder_ + " -c listen_addresses='' -c fsync=off\" start >/dev/null"),
                                       &status);
    if (status == 0) return;
  }
  throw std::runtime_error("the server does not start: " + output_of("tail -5 " + folder_ + "/log"));
}

}  // namespace nightwatt::mirror::test
