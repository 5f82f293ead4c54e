#include "context.hpp"
#include "drivers/protocols.hpp"

#include <unistd.h>

#include <limits>

#include "config/places.hpp"

namespace nightwatt::query {

Context::Context(const GlobalOptions& options, Sink& out_sink, Sink& err_sink,
                 const Environment& environment_of_process)
    : out(out_sink), err(err_sink), environment(environment_of_process), json(options.json), options_(options) {
  style.colour = environment.out_is_terminal && !environment.no_color && !options.no_color && !options.json;
  style.columns = environment.columns;
}

Result<const config::ServiceConfig*> Context::configuration() {
  if (!configuration_read_) {
    configuration_read_ = true;
    const std::string path = config::config_path(options_.config);
    if (!options_.config && ::access(path.c_str(), F_OK) != 0) return nullptr;
    auto loaded = config::load_config(path, drivers::protocol_readers());
    if (!loaded) {
      configuration_read_ = false;
      return tl::unexpected(loaded.error());
    }
    configuration_ = std::move(*loaded);
  }
  return configuration_ ? &*configuration_ : nullptr;
}

Result<const config::ServiceConfig*> Context::places() {
  if (configuration_) return &*configuration_;
  if (!places_read_) {
    const std::string path = config::config_path(options_.config);
    if (options_.config || ::access(path.c_str(), F_OK) == 0) {
      auto loaded = config::load_config_without_profiles(path);
      if (!loaded) return tl::unexpected(loaded.error());
      places_ = std::move(*loaded);
    }
    places_read_ = true;
  }
  return places_ ? &*places_ : nullptr;
}

Result<std::string> Context::store_path() {
  if (options_.store) return *options_.store;
  const auto settings = places();
  if (!settings) return tl::unexpected(settings.error());
  return *settings != nullptr ? (*settings)->store.path : config::StoreConfig{}.path;
}

Result<std::string> Context::socket_path() {
  const auto settings = places();
  if (!settings) return tl::unexpected(settings.error());
  return *settings != nullptr ? (*settings)->control_socket : config::ServiceConfig{}.control_socket;
}

Result<storage::StoreReader> Context::open_reader() {
  const auto path = store_path();
  if (!path) return tl::unexpected(path.error());
  return storage::StoreReader::open(*path);
}

Result<storage::StoreWriter> Context::open_writer(WhereMissing missing) {
  const auto path = store_path();
  if (!path) return tl::unexpected(path.error());
  if (missing == WhereMissing::refuse)
    if (const auto there = storage::StoreReader::open(*path); !there) return tl::unexpected(there.error());
  storage::StoreSettings settings;
  // A command commits and is gone: somebody was told that it is done, so it is on the disk by then.
  settings.flush_s = std::numeric_limits<double>::infinity();
  if (const auto configured = places(); configured && *configured != nullptr) {
    settings.keep_raw_days = (*configured)->store.keep_raw_days;
    settings.max_size_mb = (*configured)->store.max_size_mb;
  }
  return storage::StoreWriter::open(*path, settings);
}

Result<void> in_transaction(storage::StoreWriter& store, const std::function<Result<void>()>& change) {
  if (auto begun = store.begin(); !begun) return begun;
  if (auto changed = change(); !changed) {
    store.rollback();
    return changed;
  }
  auto committed = store.commit();
  if (!committed) store.rollback();
  return committed;
}

}  // namespace nightwatt::query
