#include <algorithm>
#include <filesystem>
#include <system_error>
#include <vector>

#include "context.hpp"
#include "figures/store_proof.hpp"
#include "measure/signal/time_text.hpp"
#include "storage/backup.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view name_begin = "nightwatt-", name_end = ".db";
constexpr std::size_t time_digits = 16;  // 20260105T210000Z

std::string name_of(UtcTime now) {
  constexpr std::size_t to_the_second = 19;
  std::string time = utc_text(now).substr(0, to_the_second);
  std::erase_if(time, [](char c) { return c == '-' || c == ':'; });
  return std::string(name_begin) + time + "Z" + std::string(name_end);
}

bool is_ours(const std::string& name) {
  return name.size() == name_begin.size() + time_digits + name_end.size() &&
         name.compare(0, name_begin.size(), name_begin) == 0 &&
         name.compare(name.size() - name_end.size(), name_end.size(), name_end) == 0;
}

/// The oldest go, but never the one just made: the machine's clock may stand before theirs.
std::vector<std::string> remove_old(const fs::path& folder, std::size_t keep, const std::string& newest) {
  std::vector<std::string> names, removed;
  std::error_code failed;
  for (fs::directory_iterator entry(folder, failed), end; !failed && entry != end; entry.increment(failed))
    if (const std::string name = entry->path().filename().string(); is_ours(name) && name != newest)
      names.push_back(name);
  std::sort(names.begin(), names.end());
  for (std::size_t i = 0; i + keep < names.size() + 1; ++i)
    if (fs::remove(folder / names[i], failed)) removed.push_back((folder / names[i]).string());
  return removed;
}

}  // namespace

Outcome run(Context& context, const BackupArguments& arguments) {
  if (arguments.file.has_value() == arguments.folder.has_value())
    return fail(ErrorKind::input, "give either -o FILE or --into FOLDER (with --keep N); see nightwatt backup --help");
  if (arguments.keep && !arguments.folder) return fail(ErrorKind::input, "--keep goes with --into FOLDER");
  std::optional<double> keep;
  if (arguments.keep) {
    const auto number = positive_from("--keep", *arguments.keep);
    if (!number) return tl::unexpected(number.error());
    if (*number != static_cast<double>(static_cast<std::int64_t>(*number)))
      return fail(ErrorKind::input, "--keep is " + text::quoted(*arguments.keep) + "; give a whole number");
    keep = *number;
  }
  const auto path = context.store_path();
  if (!path) return tl::unexpected(path.error());
  const std::string name =
      arguments.file ? *arguments.file : (fs::path(*arguments.folder) / name_of(context.now())).string();
  if (arguments.folder) {
    std::error_code failed;
    fs::create_directories(*arguments.folder, failed);
    if (failed) return fail(ErrorKind::unusable, *arguments.folder + ": cannot be made: " + failed.message());
  }
  const auto check = storage::back_up(*path, name, figures::prove_run);
  if (!check) return tl::unexpected(check.error());
  std::vector<std::string> removed;
  if (keep)
    removed = remove_old(*arguments.folder, static_cast<std::size_t>(*keep), fs::path(name).filename().string());
  if (context.json) {
    JsonWriter json(context.out);
    json.begin_document().field("file", name).field("samples", check->samples).field("blocks", check->blocks);
    json.key("removed").begin_array();
    for (const std::string& old : removed) json.value(old);
    json.end_array().end_object();
    context.out.write("\n");
    return 0;
  }
  context.out.write(text::printable(name) + ": a sound copy, " + std::to_string(check->samples) + " readings\n");
  for (const std::string& old : removed) context.out.write(text::printable(old) + ": removed\n");
  return 0;
}

}  // namespace nightwatt::query
