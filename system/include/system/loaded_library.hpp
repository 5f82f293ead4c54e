// A library that is found when it is first wanted: who does not want it neither loads it nor needs it installed.
#pragma once

#include <mutex>
#include <string>
#include <utility>

#include "measure/signal/result.hpp"

namespace nightwatt {

/// Finds the calls of one library by their names.
class LibraryCalls {
 public:
  /// `file`: as the dynamic linker knows it, `libpq.so.5`.
  explicit LibraryCalls(const char* file);

  template <class Call>
  LibraryCalls& find(const char* name, Call& call) {
    call = reinterpret_cast<Call>(address_of(name));
    return *this;
  }
  /// The library is there, and so was every call that was looked for.
  [[nodiscard]] bool all_found() const { return all_found_; }

 private:
  [[nodiscard]] void* address_of(const char* name);
  void* handle_;
  bool all_found_;
};

/// Loads at the first get(), from any thread, and never unloads. Where the library is not there, the next get() looks
/// again: it may have been installed meanwhile.
template <class Calls>
class LoadedLibrary {
 public:
  using Find = void (*)(LibraryCalls&, Calls&);
  /// `missing`: what to say, and to do, where it is not installed.
  LoadedLibrary(const char* file, std::string missing, Find find)
      : file_(file), missing_(std::move(missing)), find_(find) {}

  /// ErrorKind::unusable where the library or one of its calls is not there.
  [[nodiscard]] Result<const Calls*> get() {
    const std::lock_guard lock(mutex_);
    if (loaded_) return &calls_;
    LibraryCalls library(file_);
    find_(library, calls_);
    if (!library.all_found()) return fail(ErrorKind::unusable, missing_);
    loaded_ = true;
    return &calls_;
  }

 private:
  const char* file_;
  std::string missing_;
  Find find_;
  std::mutex mutex_;
  Calls calls_;
  bool loaded_ = false;
};

}  // namespace nightwatt
