// What may be asked of the running service, as values.
#pragma once

#include <atomic>
#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"
#include "storage/store.hpp"

namespace nightwatt::daemon {

struct BeginRequest {
  std::string device;
  std::optional<std::string> meter;
  std::string note;
  std::vector<std::string> includes;
  std::vector<std::pair<std::string, std::string>> conditions;
  std::optional<UtcTime> at;  ///< as shown to people
};

struct EndRequest {
  std::optional<std::string> meter;
  std::optional<UtcTime> at;  ///< as shown to people
};

struct SplitRequest {
  storage::RunId run = 0;
  UtcTime at;  ///< as shown to people
};

/// Undoes a split: the open run becomes a part of this one, which ended where it began.
struct JoinRequest {
  storage::RunId run = 0;
};

/// A mark put or taken back, by who may not write the store; its time is the record's.
struct MarkRequest {
  storage::Mark mark;
  bool remove = false;  ///< the one with the number of `mark`
};

struct StatusRequest {};

/// What came over a meter's port since the answer that said `after`; none: from now on.
struct CaptureRequest {
  std::string meter;
  std::optional<std::uint64_t> after;
};

using RunRequest = std::variant<BeginRequest, EndRequest, SplitRequest, JoinRequest, MarkRequest>;

/// A request on its way to the store thread. Whoever waits for the answer may take it back as long as the store has not
/// begun to obey it, so that a request that was answered "not now" is never obeyed later.
class RunCommand {
 public:
  using Reply = std::function<void(Result<storage::RunId>)>;

  RunCommand(RunRequest what, UtcTime now, Reply reply) : what_(std::move(what)), now_(now), reply_(std::move(reply)) {}

  [[nodiscard]] const RunRequest& what() const { return what_; }
  /// The record's instant at which it was asked.
  [[nodiscard]] UtcTime now() const { return now_; }

  /// Store thread: true if it is to be obeyed now.
  [[nodiscard]] bool take() { return move(State::waiting, State::taken); }
  /// Store thread: its transaction failed, it will be tried again.
  void put_back() { state_.store(State::waiting); }
  /// Loop thread: true if it will never be obeyed.
  [[nodiscard]] bool take_back() { return move(State::waiting, State::withdrawn); }
  /// Store thread, after the commit. At most once.
  void answer(Result<storage::RunId> result) { reply_(std::move(result)); }

 private:
  enum class State : std::uint8_t { waiting, taken, withdrawn };
  bool move(State from, State to) { return state_.compare_exchange_strong(from, to); }

  RunRequest what_;
  UtcTime now_;
  Reply reply_;
  std::atomic<State> state_ = State::waiting;
};

}  // namespace nightwatt::daemon
