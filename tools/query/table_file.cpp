#include "table_file.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstdlib>
#include <system_error>
#include <utility>
#include <vector>

#include "csv/utf16.hpp"
#include "text/printable.hpp"
#include "text/write_all.hpp"

namespace nightwatt::query {
namespace {

constexpr std::size_t piece_bytes = std::size_t{256} << 10;

tl::unexpected<Error> refuse(const std::string& name, const std::string& what, int problem) {
  return fail(ErrorKind::input, name + ": " + what + ": " + std::generic_category().message(problem) +
                                    "; check the file's name and rights");
}

/// A file without a name, which goes with the process.
int nameless_file() {
  const char* folder = std::getenv("TMPDIR");
  std::string path = std::string(folder != nullptr && *folder != '\0' ? folder : "/var/tmp") + "/nightwatt-XXXXXX";
  const int descriptor = ::mkostemp(path.data(), O_CLOEXEC);
  if (descriptor >= 0) ::unlink(path.c_str());
  return descriptor;
}

}  // namespace

Result<TableFile> TableFile::open(const std::string& path) {
  const bool standard_input = path == "-";
  TableFile file(
      standard_input ? "standard input" : text::printable(path),
      standard_input ? ::fcntl(STDIN_FILENO, F_DUPFD_CLOEXEC, 3) : ::open(path.c_str(), O_RDONLY | O_CLOEXEC));
  struct stat about {};
  if (file.descriptor_ < 0 || ::fstat(file.descriptor_, &about) != 0)
    return refuse(file.name_, "cannot be opened", errno);
  if (S_ISDIR(about.st_mode)) return fail(ErrorKind::input, file.name_ + ": is a folder; name a file");
  // Of standard input another program may have read a part; what is left is the file.
  const bool whole = S_ISREG(about.st_mode) && ::lseek(file.descriptor_, 0, SEEK_CUR) == 0;
  if (whole) file.size_ = static_cast<std::uint64_t>(about.st_size);
  std::array<char, 2> mark{};
  const bool utf16 = whole && ::pread(file.descriptor_, mark.data(), mark.size(), 0) == 2 &&
                     csv::Utf16::begins({mark.data(), mark.size()});
  if (!whole || utf16)
    if (auto kept = file.keep_aside(); !kept) return tl::unexpected(kept.error());
  return file;
}

Result<void> TableFile::keep_aside() {
  const int aside = nameless_file();
  if (aside < 0)
    return fail(ErrorKind::unusable, "there is no room to keep " + name_ + " while it is read: " +
                                         std::generic_category().message(errno) + "; name a folder with TMPDIR");
  std::vector<char> piece(piece_bytes);
  csv::Utf16 converter;
  int problem = 0;
  Result<std::size_t> got = read_next(piece);
  for (; problem == 0 && got && *got > 0; got = read_next(piece))
    problem = text::write_all(aside, converter.feed({piece.data(), *got}));
  if (got && problem == 0) problem = text::write_all(aside, converter.finish());
  if (!got || problem != 0) {
    ::close(aside);
    if (!got) return tl::unexpected(got.error());
    return fail(ErrorKind::unusable, "there is no room to keep " + name_ + " while it is read: " +
                                         std::generic_category().message(problem) + "; name a folder with TMPDIR");
  }
  ::close(std::exchange(descriptor_, aside));
  struct stat about {};
  if (::fstat(descriptor_, &about) == 0) size_ = static_cast<std::uint64_t>(about.st_size);
  return {};
}

TableFile::TableFile(TableFile&& other) noexcept
    : name_(std::move(other.name_)), descriptor_(std::exchange(other.descriptor_, -1)), size_(other.size_) {}

TableFile::~TableFile() {
  if (descriptor_ >= 0) ::close(descriptor_);
}

Result<std::size_t> TableFile::read_next(std::span<char> buffer) const {
  for (;;) {
    const ssize_t got = ::read(descriptor_, buffer.data(), buffer.size());
    if (got >= 0) return static_cast<std::size_t>(got);
    if (errno != EINTR) return refuse(name_, "cannot be read", errno);
  }
}

Result<std::size_t> TableFile::read_at(std::uint64_t offset, std::span<char> buffer) const {
  for (;;) {
    const ssize_t got = ::pread(descriptor_, buffer.data(), buffer.size(), static_cast<off_t>(offset));
    if (got >= 0) return static_cast<std::size_t>(got);
    if (errno != EINTR) return refuse(name_, "cannot be read", errno);
  }
}

}  // namespace nightwatt::query
