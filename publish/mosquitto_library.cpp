#include "mosquitto_library.hpp"

#include <dlfcn.h>

#include <mutex>
#include <string>

namespace nightwatt::publish {
namespace {

constexpr const char* library = "libmosquitto.so.1";

template <class Call>
bool find(void* handle, const char* name, Call& call) {
  call = reinterpret_cast<Call>(::dlsym(handle, name));
  return call != nullptr;
}

bool find_all(void* handle, MosquittoLibrary& calls) {
  return find(handle, "mosquitto_lib_init", calls.lib_init) && find(handle, "mosquitto_new", calls.make) &&
         find(handle, "mosquitto_destroy", calls.destroy) && find(handle, "mosquitto_int_option", calls.int_option) &&
         find(handle, "mosquitto_username_pw_set", calls.username_pw_set) &&
         find(handle, "mosquitto_tls_set", calls.tls_set) && find(handle, "mosquitto_will_set", calls.will_set) &&
         find(handle, "mosquitto_connect", calls.connect) && find(handle, "mosquitto_disconnect", calls.disconnect) &&
         find(handle, "mosquitto_publish", calls.publish) && find(handle, "mosquitto_loop", calls.loop) &&
         find(handle, "mosquitto_strerror", calls.strerror) &&
         find(handle, "mosquitto_connack_string", calls.connack_string) &&
         find(handle, "mosquitto_connect_callback_set", calls.connect_callback_set) &&
         find(handle, "mosquitto_publish_callback_set", calls.publish_callback_set);
}

}  // namespace

Result<const MosquittoLibrary*> mosquitto_library() {
  static std::mutex mutex;
  static MosquittoLibrary calls;
  static bool found = false;
  const std::lock_guard lock(mutex);
  if (found) return &calls;
  void* handle = ::dlopen(library, RTLD_NOW | RTLD_LOCAL);
  if (handle == nullptr || !find_all(handle, calls))
    return fail(ErrorKind::unusable,
                std::string("publishing needs ") + library + ": install Debian's package libmosquitto1");
  calls.lib_init();
  found = true;
  return &calls;
}

}  // namespace nightwatt::publish
