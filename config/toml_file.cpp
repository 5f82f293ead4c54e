#include "toml_file.hpp"

#include <filesystem>
#include <fstream>

namespace nightwatt::config {

namespace {

namespace fs = std::filesystem;

constexpr std::size_t path_shown_limit = 300;

Result<std::string> read_file(const std::string& file) {
  std::error_code error;
  const fs::file_status status = fs::status(file, error);
  if (status.type() == fs::file_type::not_found)
    return fail(ErrorKind::input, shown_path(file) + ": no such file; name one with --config or write it");
  if (status.type() != fs::file_type::regular)
    return fail(ErrorKind::input, shown_path(file) + ": not a regular file; name a TOML file");
  std::ifstream in(file, std::ios::binary);
  std::string text(toml_size_limit + 1, '\0');
  if (in) in.read(text.data(), static_cast<std::streamsize>(text.size()));
  if (!in && !in.eof()) return fail(ErrorKind::input, shown_path(file) + ": cannot be read; check its rights");
  text.resize(static_cast<std::size_t>(in.gcount()));
  return text;
}

}  // namespace

std::string shown_path(const std::string& path) {
  return printable(path, path_shown_limit);
}

Result<Node> read_toml_file(const std::string& file) {
  const auto text = read_file(file);
  if (!text) return tl::unexpected(text.error());
  return read_toml(*text, shown_path(file));
}

}  // namespace nightwatt::config
