#include "whole_file.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <cstring>

#include "text/printable.hpp"
#include "text/write_all.hpp"

namespace nightwatt::query {
namespace {

constexpr mode_t usual_rights = 0666;  // less the umask, as any program's new file

tl::unexpected<Error> failed(const std::string& path, int number) {
  return fail(ErrorKind::unusable, text::printable(path) + " could not be written: " + std::strerror(number) +
                                       "; is the folder there, is it yours, is there room?");
}

}  // namespace

Result<void> write_whole_file(const std::string& path, std::string_view bytes) {
  struct stat there {};
  if (::stat(path.c_str(), &there) == 0 && !S_ISREG(there.st_mode))
    return fail(ErrorKind::input, text::printable(path) + " is not a file; give the name of one");
  std::string beside = path + ".XXXXXX";
  const int descriptor = ::mkstemp(beside.data());
  if (descriptor < 0) return failed(path, errno);
  const mode_t mask = ::umask(0);
  ::umask(mask);
  int problem = text::write_all(descriptor, bytes);
  if (problem == 0 && (::fchmod(descriptor, usual_rights & ~mask) != 0 || ::fsync(descriptor) != 0)) problem = errno;
  ::close(descriptor);
  if (problem == 0 && std::rename(beside.c_str(), path.c_str()) != 0) problem = errno;
  if (problem == 0) return {};
  ::unlink(beside.c_str());
  return failed(path, problem);
}

}  // namespace nightwatt::query
