#include "secret_file.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <system_error>

#include "toml_node.hpp"

namespace nightwatt::config {
namespace {

constexpr std::size_t path_shown_limit = 300;

}  // namespace

tl::unexpected<Error> refuse_secret_file(std::string_view what, const std::string& path, const std::string& why) {
  return fail(ErrorKind::input, std::string(what) + " " + printable(path, path_shown_limit) + " " + why);
}

Result<std::string> read_secret_file(std::string_view what, const std::string& path, std::size_t limit) {
  const auto refuse = [&](const std::string& why) { return refuse_secret_file(what, path, why); };
  // A pipe must not keep us waiting; the rights are looked up on what was opened, which nobody can swap any more.
  const int descriptor = ::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
  if (descriptor < 0) return refuse("cannot be read: " + std::generic_category().message(errno));
  struct stat info {};
  std::string text(limit + 2, '\0');
  const bool known = ::fstat(descriptor, &info) == 0;
  const ssize_t got = known && S_ISREG(info.st_mode) ? ::read(descriptor, text.data(), text.size()) : 0;
  const int problem = errno;
  ::close(descriptor);
  if (!known || !S_ISREG(info.st_mode)) return refuse("is no regular file: name one that holds the secret alone");
  if ((info.st_mode & (S_IWGRP | S_IRWXO)) != 0)
    return refuse("may be read or changed by others: chmod 640, owner or group the service's");
  if (got < 0) return refuse("cannot be read: " + std::generic_category().message(problem));
  text.resize(static_cast<std::size_t>(got));
  if (!text.empty() && text.back() == '\n') text.pop_back();
  return text;
}

}  // namespace nightwatt::config
