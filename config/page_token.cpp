#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <system_error>

#include "config/config.hpp"
#include "page_parser.hpp"

namespace nightwatt::config {
namespace {

constexpr std::size_t path_shown_limit = 300;

Result<std::string> refuse(const std::string& path, const std::string& what) {
  return fail(ErrorKind::input, "token file " + printable(path, path_shown_limit) + " " + what);
}

/// What of the file's first bytes fits; one more than a token may have, so that a longer one is seen to be.
Result<std::string> read_start(const std::string& path) {
  // A pipe must not keep us waiting; the rights are looked up on what was opened, which nobody can swap any more.
  const int descriptor = ::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
  if (descriptor < 0) return refuse(path, "cannot be read: " + std::generic_category().message(errno));
  struct stat info {};
  std::array<char, longest_token + 2> bytes{};
  const bool known = ::fstat(descriptor, &info) == 0;
  const ssize_t got = known && S_ISREG(info.st_mode) ? ::read(descriptor, bytes.data(), bytes.size()) : 0;
  ::close(descriptor);
  if (!known || !S_ISREG(info.st_mode)) return refuse(path, "is no regular file: name one that holds the token alone");
  if ((info.st_mode & (S_IWGRP | S_IRWXO)) != 0)
    return refuse(path, "may be read or changed by others: chmod 640, owner or group the service's");
  if (got < 0) return refuse(path, "cannot be read: " + std::generic_category().message(errno));
  return std::string(bytes.data(), static_cast<std::size_t>(got));
}

}  // namespace

Result<std::string> page_token(const PageConfig& page) {
  if (page.token_file.empty()) return page.token;
  auto token = read_start(page.token_file);
  if (!token) return token;
  if (!token->empty() && token->back() == '\n') token->pop_back();
  const std::string fault = token_fault(*token);
  if (!fault.empty()) return refuse(page.token_file, "holds no good token: it " + fault + "; openssl rand -hex 16");
  return token;
}

}  // namespace nightwatt::config
