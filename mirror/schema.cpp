#include "schema.hpp"

#include <array>
#include <charconv>
#include <string>
#include <string_view>

#include "mirror_schema.hpp"

namespace nightwatt::mirror {
namespace {

const std::array<std::string_view, 1> migrations_of_schema = {embedded::version_1_sql};

/// 0: there are none.
Result<int> version_of(Server& server) {
  const auto there = server.ask("SELECT to_regclass('nightwatt.version') IS NOT NULL");
  if (!there) return tl::unexpected(there.error());
  if (there->front()[0] != "t") return 0;
  const auto rows = server.ask("SELECT number FROM nightwatt.version");
  if (!rows) return tl::unexpected(rows.error());
  int version = 0;
  if (rows->size() == 1 && rows->front()[0]) {
    const std::string& text = *rows->front()[0];
    std::from_chars(text.data(), text.data() + text.size(), version);
  }
  if (version < 1) return fail(ErrorKind::unusable, "the mirror's table nightwatt.version has no version");
  return version;
}

Result<void> refuse_newer(int version, int newest) {
  if (version <= newest) return {};
  return fail(ErrorKind::unusable, "the mirror's tables are of version " + std::to_string(version) +
                                       ", this program knows up to " + std::to_string(newest) +
                                       ": update this program");
}

int newest_of(Migrations migrations) {
  return static_cast<int>(migrations.size());
}

Result<void> migrate(Server& server, Migrations migrations) {
  const auto version = version_of(server);
  if (!version) return tl::unexpected(version.error());
  if (auto known = refuse_newer(*version, newest_of(migrations)); !known) return known;
  for (int next = *version; next < newest_of(migrations); ++next) {
    if (auto done = server.run(std::string(migrations[static_cast<std::size_t>(next)])); !done) return done;
    if (auto told = server.tell("UPDATE nightwatt.version SET number = $1", {std::to_string(next + 1)}); !told)
      return told;
  }
  return {};
}

}  // namespace

Migrations all_migrations() {
  return migrations_of_schema;
}

Result<void> prepare_schema(Server& server, Migrations migrations) {
  const auto version = version_of(server);
  if (!version) return tl::unexpected(version.error());
  if (*version == newest_of(migrations)) return {};
  if (auto begun = server.run("BEGIN"); !begun) return begun;
  // Only one makes them; whoever waited here finds them made.
  auto locked = server.ask("SELECT pg_advisory_xact_lock(hashtext('nightwatt.schema'))");
  Result<void> done = locked ? migrate(server, migrations) : Result<void>(tl::unexpected(locked.error()));
  if (auto ended = server.run(done ? "COMMIT" : "ROLLBACK"); done && !ended) done = ended;
  return done;
}

Result<void> check_schema(Server& server) {
  const auto version = version_of(server);
  if (!version) return tl::unexpected(version.error());
  if (*version == 0)
    return fail(ErrorKind::negative, "this database holds no mirror: a service with [mirror] in its config makes it");
  const int newest = newest_of(migrations_of_schema);
  if (*version < newest)
    return fail(ErrorKind::unusable, "the mirror's tables are of version " + std::to_string(*version) +
                                         ": a service of this program's version brings them up to date");
  return refuse_newer(*version, newest);
}

}  // namespace nightwatt::mirror
