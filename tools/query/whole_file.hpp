// Writes a file whole or not at all.
#pragma once

#include <string>
#include <string_view>

#include "measure/signal/result.hpp"

namespace nightwatt::query {

/// The file name that stands for standard output.
inline constexpr std::string_view standard_output = "-";

/// A file that comes to be with commit() and not before; what was there is then replaced in one step. Without it
/// nothing stays. Owns the descriptor.
class NewFile {
 public:
  [[nodiscard]] static Result<NewFile> open(const std::string& path);
  NewFile(NewFile&& other) noexcept;
  NewFile& operator=(NewFile&&) = delete;
  ~NewFile();
  [[nodiscard]] int descriptor() const { return descriptor_; }
  [[nodiscard]] Result<void> commit();

 private:
  NewFile(std::string path, std::string beside, int descriptor)
      : path_(std::move(path)), beside_(std::move(beside)), descriptor_(descriptor) {}
  std::string path_, beside_;
  int descriptor_;
};

/// Beside `path` first, then in its place: whoever looks finds the old file or the new one, never a part. Error kind
/// unusable, naming the file.
[[nodiscard]] Result<void> write_whole_file(const std::string& path, std::string_view bytes);

}  // namespace nightwatt::query
