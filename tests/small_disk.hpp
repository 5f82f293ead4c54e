// A file system for tests that is full soon.
#pragma once

#include <sys/mount.h>

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <string>
#include <utility>

namespace nightwatt::test {

/// In memory, at a folder that it makes; mounted() is false where this user may not mount one.
class SmallDisk {
 public:
  /// `limits`: options of tmpfs, such as "size=2m" or "nr_inodes=1".
  SmallDisk(std::string path, const char* limits) : path_(std::move(path)) {
    std::filesystem::create_directory(path_);
    mounted_ = ::mount("tmpfs", path_.c_str(), "tmpfs", 0, limits) == 0;
  }
  ~SmallDisk() {
    if (mounted_) ::umount2(path_.c_str(), MNT_DETACH);
  }
  SmallDisk(const SmallDisk&) = delete;
  SmallDisk& operator=(const SmallDisk&) = delete;
  [[nodiscard]] bool mounted() const { return mounted_; }
  void fill() const {
    std::ofstream filler(path_ + "/filler", std::ios::binary);
    const std::string block(4096, 'x');
    while (filler.write(block.data(), static_cast<std::streamsize>(block.size())).flush()) {
    }
  }
  void make_room() const { std::filesystem::remove(path_ + "/filler"); }
  void set_limits(const char* limits) const {
    REQUIRE(::mount("tmpfs", path_.c_str(), "tmpfs", MS_REMOUNT, limits) == 0);
  }

 private:
  std::string path_;
  bool mounted_ = false;
};

}  // namespace nightwatt::test
