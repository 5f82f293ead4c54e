#include "config/config.hpp"

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <optional>

#include "config/installed.hpp"
#include "config/places.hpp"
#include "config_files.hpp"
#include "config_parser.hpp"
#include "problems.hpp"
#include "profile_parser.hpp"
#include "toml_file.hpp"

namespace nightwatt::config {

namespace {

namespace fs = std::filesystem;

bool is_file(const std::string& path) {
  std::error_code ignored;
  const fs::file_type type = fs::status(path, ignored).type();
  return type != fs::file_type::not_found && type != fs::file_type::none && type != fs::file_type::directory;
}

/// Where a profile may lie, the best place first.
std::vector<std::string> profile_places(const std::string& file_or_name, const std::string& relative_to) {
  const fs::path given(file_or_name);
  if (given.is_absolute()) return {file_or_name};
  std::vector<std::string> places{(fs::path(relative_to) / given).lexically_normal().string()};
  // A bare word is also the name of an installed profile; a path is only ever a file.
  if (given.has_parent_path()) return places;
  const std::string name = given.extension() == ".toml" ? given.string() : given.string() + ".toml";
  if (const char* folder = std::getenv("NIGHTWATT_PROFILES"); folder != nullptr && *folder != '\0')
    places.push_back((fs::path(folder) / name).string());
  places.push_back((fs::path(NIGHTWATT_PROFILE_DIR) / name).string());
  return places;
}

ProfileOutcome find_profile(const std::string& file_or_name, const std::string& relative_to,
                            ProtocolReaders protocols) {
  ProfileOutcome outcome;
  std::string looked_for;
  for (const std::string& place : profile_places(file_or_name, relative_to)) {
    looked_for += (looked_for.empty() ? "" : ", ") + shown_path(place);
    if (!is_file(place)) continue;
    const auto tree = read_toml_file(place);
    if (!tree) {
      outcome.errors.push_back(tree.error());
      return outcome;
    }
    Problems problems(shown_path(place));
    outcome.profile = parse_profile(*tree, fs::path(place).stem().string(), protocols, problems);
    outcome.errors = problems.errors();
    outcome.file = place;
    return outcome;
  }
  outcome.not_found = looked_for;
  return outcome;
}

struct Loaded {
  std::optional<ServiceConfig> config;
  std::vector<Error> errors;
};

/// A profile that nobody reads.
ProfileOutcome no_profile(const std::string&, const std::string&) {
  ProfileOutcome none;
  none.profile.emplace();
  return none;
}

Loaded load_with(const std::string& file, const ProfileSource& profiles, const std::string& with) {
  auto read = read_config_files(file, with);
  if (!read) return {std::nullopt, {read.error()}};
  auto config = parse_config(read->root, profiles, read->problems);
  if (config) {
    config->file = file;
    config->warnings = open_secrets(*read);
  }
  return {std::move(config), read->problems.errors()};
}

Loaded load(const std::string& file, ProtocolReaders protocols, const std::string& with = {}) {
  return load_with(
      file,
      [protocols](const std::string& name, const std::string& relative_to) {
        return find_profile(name, relative_to, protocols);
      },
      with);
}

/// `file:line: ` of the key that names the token's file.
std::string token_place(const std::string& file) {
  const auto read = read_config_files(file);
  const NodeEntry* page = read ? read->root.find("page") : nullptr;
  const NodeEntry* key = page != nullptr ? page->value.find("token_file") : nullptr;
  return read ? read->problems.place(key != nullptr ? key->line : 1) + ": " : std::string();
}

}  // namespace

Result<ServiceConfig> load_config(const std::string& file, ProtocolReaders protocols, const std::string& with) {
  Loaded loaded = load(file, protocols, with);
  if (!loaded.config) return tl::unexpected(loaded.errors.front());
  return std::move(*loaded.config);
}

Result<ServiceConfig> load_config_without_profiles(const std::string& file) {
  Loaded loaded = load_with(file, no_profile, {});
  if (!loaded.config) return tl::unexpected(loaded.errors.front());
  return std::move(*loaded.config);
}

std::vector<Error> check_config(const std::string& file, ProtocolReaders protocols) {
  Loaded loaded = load(file, protocols);
  if (!loaded.config) return loaded.errors;
  // Only the service needs the token itself.
  const auto token = page_token(loaded.config->page);
  if (!token) loaded.errors.push_back({token.error().kind, token_place(file) + token.error().message});
  for (const std::string& warning : loaded.config->warnings) loaded.errors.push_back({ErrorKind::input, warning});
  return loaded.errors;
}

std::string config_path(const std::optional<std::string>& from_option) {
  if (from_option) return *from_option;
  if (const char* path = std::getenv("NIGHTWATT_CONFIG"); path != nullptr && *path != '\0') return path;
  return "/etc/nightwatt/nightwatt.toml";
}

Result<MeterProfile> load_profile(const std::string& file_or_name, const std::string& relative_to,
                                  ProtocolReaders protocols) {
  ProfileOutcome outcome = find_profile(file_or_name, relative_to, protocols);
  if (outcome.profile) return std::move(*outcome.profile);
  if (!outcome.errors.empty()) return tl::unexpected(outcome.errors.front());
  return fail(ErrorKind::input, "no profile " + in_quotes(file_or_name) + ": looked for " + outcome.not_found +
                                    "; correct the name or write the file");
}

std::vector<std::string> installed_profiles() {
  constexpr std::size_t most = 256;  // a folder of something else is not read for ever
  std::vector<std::string> names;
  const char* set = std::getenv("NIGHTWATT_PROFILES");
  for (const std::string& folder : {std::string(set != nullptr ? set : ""), std::string(NIGHTWATT_PROFILE_DIR)}) {
    std::error_code ignored;
    if (folder.empty()) continue;
    for (fs::directory_iterator entry(folder, ignored), end; entry != end && names.size() < most;
         entry.increment(ignored))
      if (entry->path().extension() == ".toml") names.push_back(entry->path().stem().string());
  }
  std::sort(names.begin(), names.end());
  names.erase(std::unique(names.begin(), names.end()), names.end());
  return names;
}

}  // namespace nightwatt::config
