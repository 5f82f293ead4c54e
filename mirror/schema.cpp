#include "schema.hpp"

#include <array>
#include <charconv>
#include <string>
#include <string_view>

#include "mirror_schema.hpp"

namespace nightwatt::mirror {
namespace {

/// A migration a version: the first makes the tables, each later one changes those of the version before it.
const std::array<std::string_view, schema_version> migrations = {embedded::version_1_sql};

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

Result<void> refuse_newer(int version) {
  if (version <= schema_version) return {};
  return fail(ErrorKind::unusable, "the mirror's tables are of version " + std::to_string(version) +
                                       ", this program knows up to " + std::to_string(schema_version) +
                                       ": update this program");
}

Result<void> migrate(Server& server) {
  const auto version = version_of(server);
  if (!version) return tl::unexpected(version.error());
  if (auto known = refuse_newer(*version); !known) return known;
  for (int next = *version; next < schema_version; ++next)
    if (auto done = server.run(std::string(migrations[static_cast<std::size_t>(next)])); !done) return done;
  return {};
}

}  // namespace

Result<void> prepare_schema(Server& server) {
  const auto version = version_of(server);
  if (!version) return tl::unexpected(version.error());
  if (*version == schema_version) return {};
  if (auto begun = server.run("BEGIN"); !begun) return begun;
  // Only one makes them; whoever waited here finds them made.
  auto locked = server.ask("SELECT pg_advisory_xact_lock(hashtext('nightwatt.schema'))");
  Result<void> done = locked ? migrate(server) : Result<void>(tl::unexpected(locked.error()));
  if (auto ended = server.run(done ? "COMMIT" : "ROLLBACK"); done && !ended) done = ended;
  return done;
}

Result<void> check_schema(Server& server) {
  const auto version = version_of(server);
  if (!version) return tl::unexpected(version.error());
  if (*version == 0)
    return fail(ErrorKind::negative, "this database holds no mirror: a service with [mirror] in its config makes it");
  if (*version < schema_version)
    return fail(ErrorKind::unusable, "the mirror's tables are of version " + std::to_string(*version) +
                                         ": a service of this program's version brings them up to date");
  return refuse_newer(*version);
}

}  // namespace nightwatt::mirror
