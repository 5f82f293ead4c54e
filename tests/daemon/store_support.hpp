// A store of its own for each test, and simulated evenings to record into it.
#pragma once

#include <unistd.h>

#include <catch2/catch.hpp>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "daemon/meter_recorder.hpp"
#include "figures/run_figures.hpp"
#include "figures/run_recorder.hpp"
#include "figures/store_proof.hpp"
#include "storage/store.hpp"
#include "tests/daemon/support.hpp"

namespace nightwatt::test {

/// An empty folder, gone with the object.
class TempFolder {
 public:
  TempFolder() {
    std::string name = (std::filesystem::temp_directory_path() / "nightwatt-daemon-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path_ = name;
  }
  ~TempFolder() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  TempFolder(const TempFolder&) = delete;
  TempFolder& operator=(const TempFolder&) = delete;
  [[nodiscard]] std::string file(std::string_view name) const { return (path_ / name).string(); }

 private:
  std::filesystem::path path_;
};

template <class T>
T must(Result<T> result) {
  if (!result) FAIL(result.error().message);
  return std::move(*result);
}
inline void must(Result<void> result) {
  if (!result) FAIL(result.error().message);
}

struct Piece {
  double watts;
  int seconds;
};

/// A reading a second from `begin`, in hundredths of a watt, with a little deterministic noise where the device is on.
inline std::vector<Reading> evening_of(const std::vector<Piece>& pieces, UtcTime begin = evening) {
  std::vector<Reading> readings;
  std::uint32_t noise = 12345;
  for (const Piece& piece : pieces) {
    for (int i = 0; i < piece.seconds; ++i) {
      noise = noise * 1664525U + 1013904223U;
      const std::int64_t wobble = piece.watts > 0.0 ? static_cast<std::int64_t>(noise >> 30U) : 0;
      Values values;
      values.set(Quantity::power, {static_cast<std::int64_t>(piece.watts * 100.0 + 0.5) + wobble, -2});
      readings.push_back({begin + static_cast<int>(readings.size()) * Duration(1'000'000), values});
    }
  }
  return readings;
}

inline daemon::RecorderSettings bench_settings() {
  daemon::RecorderSettings settings;
  settings.meter = "bench";
  settings.traits.resolution_w = 0.01;
  settings.traits.starting_w = 0.4;
  return settings;
}

/// A recorder on a store, each call a transaction of its own.
class RecordedMeter {
 public:
  explicit RecordedMeter(daemon::RecorderSettings settings = bench_settings()) : settings_(std::move(settings)) {
    open();
  }

  /// As when the service is killed and started again.
  void restart() {
    recorder_.reset();
    store_.reset();
    open();
  }

  void record(const std::vector<Reading>& readings, std::size_t batch = 60) {
    for (std::size_t i = 0; i < readings.size(); i += batch) {
      const auto part = std::span(readings).subspan(i, std::min(batch, readings.size() - i));
      must(store_->begin());
      must(recorder_->record(*store_, part));
      must(store_->commit());
    }
  }
  void look(UtcTime now) {
    must(store_->begin());
    must(recorder_->look(*store_, now));
    must(store_->commit());
  }
  Result<storage::RunId> begin(const std::string& device, UtcTime at, UtcTime now) {
    daemon::BeginRequest request;
    request.device = device;
    return transact([&] { return recorder_->begin(*store_, request, at, now); });
  }
  Result<storage::RunId> begin(const std::string& device, UtcTime at) { return begin(device, at, at); }
  Result<storage::RunId> end(UtcTime at, UtcTime now) {
    return transact([&] { return recorder_->end(*store_, at, now); });
  }
  Result<storage::RunId> end(UtcTime at) { return end(at, at); }
  Result<storage::RunId> split(UtcTime at, UtcTime now) {
    return transact([&] { return recorder_->split(*store_, at, now); });
  }
  Result<storage::RunId> join(storage::RunId first) {
    return transact([&]() -> Result<storage::RunId> {
      const auto run = store_->reader().run(first);
      if (!run) return tl::unexpected(run.error());
      return recorder_->join(*store_, *run);
    });
  }

  [[nodiscard]] std::string path() const { return folder_.file("nightwatt.db"); }
  [[nodiscard]] daemon::MeterRecorder& recorder() { return *recorder_; }
  [[nodiscard]] std::vector<storage::RunInfo> runs() const { return must(store_->reader().runs()); }
  [[nodiscard]] figures::RunFigures figures(storage::RunId run) const {
    return must(figures::run_figures(store_->reader(), run));
  }
  [[nodiscard]] std::size_t stored() const {
    std::size_t count = 0;
    must(store_->reader().readings(recorder_->stream(), UtcTime{0}, UtcTime{INT64_MAX}, [&](const Reading&) {
      ++count;
      return true;
    }));
    return count;
  }
  [[nodiscard]] storage::StoreCheck check() const { return must(store_->reader().check(figures::prove_run)); }

 private:
  void open() {
    store_.emplace(must(storage::StoreWriter::open(path(), {})));
    must(store_->begin());
    recorder_.emplace(must(daemon::MeterRecorder::resume(*store_, settings_)));
    must(store_->commit());
  }
  template <class Call>
  Result<storage::RunId> transact(Call call) {
    must(store_->begin());
    auto result = call();
    if (result)
      must(store_->commit());
    else
      store_->rollback();
    return result;
  }

  TempFolder folder_;
  daemon::RecorderSettings settings_;
  std::optional<storage::StoreWriter> store_;
  std::optional<daemon::MeterRecorder> recorder_;
};

}  // namespace nightwatt::test
