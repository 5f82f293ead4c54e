#include "whole_file.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <utility>

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

Result<NewFile> NewFile::open(const std::string& path) {
  struct stat there {};
  if (::stat(path.c_str(), &there) == 0 && !S_ISREG(there.st_mode))
    return fail(ErrorKind::input, text::printable(path) + " is not a file; give the name of one");
  std::string beside = path + ".XXXXXX";
  const int descriptor = ::mkstemp(beside.data());
  if (descriptor < 0) return failed(path, errno);
  return NewFile(path, std::move(beside), descriptor);
}

NewFile::NewFile(NewFile&& other) noexcept
    : path_(std::move(other.path_)),
      beside_(std::exchange(other.beside_, {})),
      descriptor_(std::exchange(other.descriptor_, -1)) {}

NewFile::~NewFile() {
  if (descriptor_ >= 0) ::close(descriptor_);
  if (!beside_.empty()) ::unlink(beside_.c_str());
}

Result<void> NewFile::commit() {
  const mode_t mask = ::umask(0);
  ::umask(mask);
  int problem = 0;
  if (::fchmod(descriptor_, usual_rights & ~mask) != 0 || ::fsync(descriptor_) != 0) problem = errno;
  if (problem == 0 && std::rename(beside_.c_str(), path_.c_str()) != 0) problem = errno;
  if (problem != 0) return failed(path_, problem);
  beside_.clear();
  return {};
}

Result<void> write_whole_file(const std::string& path, std::string_view bytes) {
  auto file = NewFile::open(path);
  if (!file) return tl::unexpected(file.error());
  if (const int problem = text::write_all(file->descriptor(), bytes); problem != 0) return failed(path, problem);
  return file->commit();
}

}  // namespace nightwatt::query
