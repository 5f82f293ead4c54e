#include "mosquitto_library.hpp"

#include "system/loaded_library.hpp"

namespace nightwatt::publish {
namespace {

void find(LibraryCalls& library, MosquittoLibrary& calls) {
  library.find("mosquitto_lib_init", calls.lib_init)
      .find("mosquitto_new", calls.make)
      .find("mosquitto_destroy", calls.destroy)
      .find("mosquitto_int_option", calls.int_option)
      .find("mosquitto_username_pw_set", calls.username_pw_set)
      .find("mosquitto_tls_set", calls.tls_set)
      .find("mosquitto_will_set", calls.will_set)
      .find("mosquitto_connect", calls.connect)
      .find("mosquitto_disconnect", calls.disconnect)
      .find("mosquitto_publish", calls.publish)
      .find("mosquitto_loop", calls.loop)
      .find("mosquitto_strerror", calls.strerror)
      .find("mosquitto_connack_string", calls.connack_string)
      .find("mosquitto_connect_callback_set", calls.connect_callback_set)
      .find("mosquitto_publish_callback_set", calls.publish_callback_set);
  if (library.all_found()) calls.lib_init();
}

}  // namespace

Result<const MosquittoLibrary*> mosquitto_library() {
  static LoadedLibrary<MosquittoLibrary> library(
      "libmosquitto.so.1", "publishing needs libmosquitto.so.1: install Debian's package libmosquitto1", find);
  return library.get();
}

}  // namespace nightwatt::publish
