#include "system/loaded_library.hpp"

#include <dlfcn.h>

namespace nightwatt {

LibraryCalls::LibraryCalls(const char* file)
    : handle_(::dlopen(file, RTLD_NOW | RTLD_LOCAL)), all_found_(handle_ != nullptr) {}

void* LibraryCalls::address_of(const char* name) {
  void* address = handle_ != nullptr ? ::dlsym(handle_, name) : nullptr;
  all_found_ = all_found_ && address != nullptr;
  return address;
}

}  // namespace nightwatt
