// The MQTT client library, found when it is first wanted: who publishes nothing neither loads it nor needs it
// installed.
#pragma once

#include <mosquitto.h>

#include "measure/signal/result.hpp"

namespace nightwatt::publish {

/// The calls that are used, by their own names.
struct MosquittoLibrary {
  decltype(&mosquitto_lib_init) lib_init = nullptr;
  decltype(&mosquitto_new) make = nullptr;
  decltype(&mosquitto_destroy) destroy = nullptr;
  decltype(&mosquitto_int_option) int_option = nullptr;
  decltype(&mosquitto_username_pw_set) username_pw_set = nullptr;
  decltype(&mosquitto_tls_set) tls_set = nullptr;
  decltype(&mosquitto_will_set) will_set = nullptr;
  decltype(&mosquitto_connect) connect = nullptr;
  decltype(&mosquitto_disconnect) disconnect = nullptr;
  decltype(&mosquitto_publish) publish = nullptr;
  decltype(&mosquitto_loop) loop = nullptr;
  decltype(&mosquitto_strerror) strerror = nullptr;
  decltype(&mosquitto_connack_string) connack_string = nullptr;
  decltype(&mosquitto_connect_callback_set) connect_callback_set = nullptr;
  decltype(&mosquitto_publish_callback_set) publish_callback_set = nullptr;
};

/// ErrorKind::unusable where Debian's libmosquitto1 is not installed. Never unloaded.
[[nodiscard]] Result<const MosquittoLibrary*> mosquitto_library();

}  // namespace nightwatt::publish
