// Reads the store for the page on a thread of its own, so that neither the loop nor the writer ever waits for a page.
#pragma once

#include <condition_variable>
#include <deque>
#include <functional>
#include <mutex>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "measure/signal/result.hpp"
#include "state.hpp"
#include "storage/store.hpp"

namespace nightwatt::daemon::page {

/// One thread, one read-only connection, a bounded number of questions. Any thread may ask.
class StoreQueries {
 public:
  using Question = std::function<void(const Result<const storage::StoreReader*>&)>;

  explicit StoreQueries(std::string store_path) : path_(std::move(store_path)) {}
  ~StoreQueries() { stop(); }
  StoreQueries(const StoreQueries&) = delete;
  StoreQueries& operator=(const StoreQueries&) = delete;

  /// The question runs on the desk's thread. False: too many wait already, or the desk is closed; it will not be run.
  [[nodiscard]] bool ask(Question question);
  /// Drops what waits and returns when the question at hand is answered.
  void stop();

 private:
  void work();
  [[nodiscard]] Result<const storage::StoreReader*> reader();

  const std::string path_;
  std::optional<storage::StoreReader> reader_;
  std::mutex mutex_;
  std::condition_variable wake_;
  std::deque<Question> questions_;
  bool stopped_ = false;
  std::thread thread_;
};

/// What the desk is asked.
[[nodiscard]] Result<std::vector<OpenRun>> open_runs(const storage::StoreReader& store);
[[nodiscard]] Result<std::string> run_list(const storage::StoreReader& store);

}  // namespace nightwatt::daemon::page
