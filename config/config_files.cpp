#include "config_files.hpp"

#include <sys/stat.h>

#include <algorithm>
#include <filesystem>
#include <iterator>

#include "toml_file.hpp"

namespace nightwatt::config {

namespace {

namespace fs = std::filesystem;

/// Beyond what a file may hold, so that the lines of two files never meet.
constexpr int lines_a_file = static_cast<int>(toml_size_limit) + 1;

std::string folder_of(const std::string& file) {
  return fs::path(file).parent_path().string();
}

/// The tree's depth is bounded by the parser.
void move_lines(Node& node, int by) {
  node.line += by;
  for (Node& item : node.items) move_lines(item, by);
  for (NodeEntry& entry : node.entries) {
    entry.line += by;
    move_lines(entry.value, by);
  }
}

NodeEntry* entry_of(Node& table, const std::string& key) {
  const auto found =
      std::find_if(table.entries.begin(), table.entries.end(), [&](const NodeEntry& e) { return e.key == key; });
  return found == table.entries.end() ? nullptr : &*found;
}

void merge_section(NodeEntry& into, NodeEntry&& from, Problems& problems) {
  if (into.value.kind != from.value.kind)
    return problems.add(from.line, in_quotes(from.key) + " is written another way than at " + problems.place(into.line),
                        "write the section's brackets alike in both");
  if (into.value.kind == NodeKind::array) {
    std::move(from.value.items.begin(), from.value.items.end(), std::back_inserter(into.value.items));
    return;
  }
  for (NodeEntry& entry : from.value.entries) {
    if (NodeEntry* old = entry_of(into.value, entry.key))
      *old = std::move(entry);
    else
      into.value.entries.push_back(std::move(entry));
  }
}

void merge(Node& root, Node&& part, Problems& problems) {
  for (NodeEntry& entry : part.entries) {
    if (NodeEntry* old = entry_of(root, entry.key))
      merge_section(*old, std::move(entry), problems);
    else
      root.entries.push_back(std::move(entry));
  }
}

/// A folder that is there and cannot be looked into must not look like one without meters.
Result<std::vector<std::string>> added_files(const std::string& folder) {
  const std::string place = (fs::path(folder) / "conf.d").string();
  std::vector<std::string> files;
  std::error_code problem;
  if (!fs::is_directory(place, problem)) return files;
  for (fs::directory_iterator entry(place, problem), end; !problem && entry != end; entry.increment(problem)) {
    const fs::path& path = entry->path();
    if (path.extension() != ".toml" || path.filename().string().front() == '.') continue;
    files.push_back(path.string());
    if (files.size() > config_files_limit)
      return fail(ErrorKind::input, shown_path(place) + ": more than " + std::to_string(config_files_limit) +
                                        " files; put several meters into one");
  }
  if (problem) return fail(ErrorKind::input, shown_path(place) + ": cannot be read; check its rights");
  std::sort(files.begin(), files.end());
  return files;
}

}  // namespace

Result<ConfigTree> read_config_files(const std::string& file, const std::string& with) {
  auto root = read_toml_file(file);
  if (!root) return tl::unexpected(root.error());
  ConfigTree tree{std::move(*root), Problems(shown_path(file), folder_of(file))};
  auto added = added_files(folder_of(file));
  if (!added) return tl::unexpected(added.error());
  if (!with.empty()) {
    std::erase(*added, fs::path(with).replace_extension().string());
    added->push_back(with);
  }
  int lines_before = 0;
  for (const std::string& path : *added) {
    auto part = read_toml_file(path);
    if (!part) return tl::unexpected(part.error());
    lines_before += lines_a_file;
    tree.problems.begin_file(lines_before + 1, shown_path(path), folder_of(path));
    move_lines(*part, lines_before);
    merge(tree.root, std::move(*part), tree.problems);
  }
  return tree;
}

std::vector<std::string> open_secrets(const ConfigTree& tree) {
  std::vector<std::string> warnings;
  for (const int line : tree.problems.secrets()) {
    const std::string& file = tree.problems.file_of(line);
    struct stat info {};
    if (::stat(file.c_str(), &info) != 0 || (info.st_mode & (S_IROTH | S_IWOTH)) == 0) continue;
    warnings.push_back(tree.problems.place(line) +
                       ": a secret stands in a file that everybody on this machine may read; chmod o= " + file);
  }
  return warnings;
}

}  // namespace nightwatt::config
