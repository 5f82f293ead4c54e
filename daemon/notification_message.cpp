#include "daemon/notification_message.hpp"

#include <nlohmann/json.hpp>

#include "measure/signal/time_text.hpp"

namespace nightwatt::daemon {

std::string notification_json(const NotificationMessage& message) {
  using Json = nlohmann::ordered_json;
  Json json = {
      {"event", config::notification_kind_name(message.kind)}, {"at", utc_text(message.at)}, {"text", message.text}};
  if (message.meter) json["meter"] = *message.meter;
  if (message.run) json["run"] = *message.run;
  if (message.device) json["device"] = *message.device;
  if (message.seconds) json["seconds"] = *message.seconds;
  return json.dump(-1, ' ', false, Json::error_handler_t::replace) + '\n';
}

std::vector<std::string> tell_environment(const NotificationMessage& message) {
  std::vector<std::string> result = {"NIGHTWATT_EVENT=" + std::string(config::notification_kind_name(message.kind)),
                                     "NIGHTWATT_AT=" + utc_text(message.at), "NIGHTWATT_TEXT=" + message.text};
  if (message.meter) result.push_back("NIGHTWATT_METER=" + *message.meter);
  if (message.run) result.push_back("NIGHTWATT_RUN=" + std::to_string(*message.run));
  if (message.device) result.push_back("NIGHTWATT_DEVICE=" + *message.device);
  return result;
}

}  // namespace nightwatt::daemon
