// A folder of a test's own, gone at its end.
#pragma once

#include <stdlib.h>

#include <filesystem>
#include <fstream>
#include <string>

namespace nightwatt::test {

/// Owns a new empty folder under the system's temporary one.
class TempFolder {
 public:
  TempFolder() {
    std::string name = (std::filesystem::temp_directory_path() / "nightwatt-test-XXXXXX").string();
    path_ = mkdtemp(name.data());
  }
  ~TempFolder() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  TempFolder(const TempFolder&) = delete;
  TempFolder& operator=(const TempFolder&) = delete;

  [[nodiscard]] std::string path(const std::string& name) const { return (path_ / name).string(); }

  /// Writes a file and says where it lies.
  std::string write(const std::string& name, const std::string& content) const {
    const std::filesystem::path file = path_ / name;
    std::filesystem::create_directories(file.parent_path());
    std::ofstream(file, std::ios::binary) << content;
    return file.string();
  }

 private:
  std::filesystem::path path_;
};

/// Sets an environment variable for a scope.
class Environment {
 public:
  Environment(const char* name, const std::string& value) : name_(name) { setenv(name, value.c_str(), 1); }
  ~Environment() { unsetenv(name_); }
  Environment(const Environment&) = delete;
  Environment& operator=(const Environment&) = delete;

 private:
  const char* name_;
};

}  // namespace nightwatt::test
