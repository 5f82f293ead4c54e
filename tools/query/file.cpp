#include "file.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <system_error>
#include <utility>

#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

tl::unexpected<Error> refuse(const std::string& name, const std::string& what, int problem) {
  return fail(ErrorKind::input, name + ": " + what + ": " + std::generic_category().message(problem) +
                                    "; check the file's name and rights");
}

}  // namespace

Result<File> File::open(const std::string& path) {
  File file(text::printable(path), ::open(path.c_str(), O_RDONLY | O_CLOEXEC));
  struct stat about {};
  if (file.descriptor_ < 0 || ::fstat(file.descriptor_, &about) != 0)
    return refuse(file.name_, "cannot be opened", errno);
  if (S_ISDIR(about.st_mode)) return fail(ErrorKind::input, file.name_ + ": is a folder; name a file");
  if (S_ISREG(about.st_mode)) file.size_ = about.st_size;
  return file;
}

File::File(File&& other) noexcept
    : name_(std::move(other.name_)), descriptor_(std::exchange(other.descriptor_, -1)), size_(other.size_) {}

File::~File() {
  if (descriptor_ >= 0) ::close(descriptor_);
}

Result<std::size_t> File::read(std::span<char> buffer) const {
  for (;;) {
    const ssize_t got = ::read(descriptor_, buffer.data(), buffer.size());
    if (got >= 0) return static_cast<std::size_t>(got);
    if (errno != EINTR) return refuse(name_, "cannot be read", errno);
  }
}

}  // namespace nightwatt::query
