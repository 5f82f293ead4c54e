// Questions and answers on a terminal; without one every question has its suggestion for an answer.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "frame.hpp"
#include "measure/signal/result.hpp"
#include "table.hpp"
#include "text/sink.hpp"

namespace nightwatt::query {

class Dialogue {
 public:
  Dialogue(Sink& out, const Style& style, int in, bool asks) : out_(out), style_(style), in_(in), asks_(asks) {}

  [[nodiscard]] bool asks() const { return asks_; }
  void say(std::string_view text);
  void say(const Frame& frame);

  /// What was typed, or `suggestion` for an empty line. ErrorKind::negative: the input ended.
  [[nodiscard]] Result<std::string> ask(const std::string& question, const std::string& suggestion);
  [[nodiscard]] Result<bool> agree(const std::string& question, bool suggestion = true);
  /// Like ask(), with a frame above the question that is drawn anew about twice a second while nothing is typed.
  [[nodiscard]] Result<std::string> ask_below(const std::function<Frame()>& frame, const std::string& question,
                                              const std::string& suggestion);
  /// Asks until `take` is content; what it says is wrong is shown. Without a terminal the first trouble is the answer.
  [[nodiscard]] Result<void> ask_until(const std::string& question, const std::string& suggestion,
                                       const std::function<Result<void>(const std::string&)>& take);

 private:
  [[nodiscard]] Result<std::string> read_line(const std::function<void()>& meanwhile);

  Sink& out_;
  const Style& style_;
  int in_;
  bool asks_;
  std::string typed_;
};

}  // namespace nightwatt::query
