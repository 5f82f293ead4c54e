// The terminal that a live view is shown in: its size, its keys, its way out; a seam for tests.
#pragma once

#include <csignal>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "frame.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::query {

class Console {
 public:
  virtual ~Console() = default;
  enum class What : std::uint8_t { time, key, resized, stop };
  struct Event {
    What what = What::time;
    char key = 0;
    int signal = 0;  ///< stop: what asked for it; 0: a key, or the terminal is gone
  };

  /// Both ends are a terminal: a screen may be drawn and keys asked for.
  [[nodiscard]] virtual bool interactive() const = 0;
  [[nodiscard]] virtual ScreenSize size() const = 0;
  /// Takes the screen over, and gives it back as it was. Harmless without a terminal, and more than once.
  virtual void enter() = 0;
  virtual void leave() = 0;
  /// Sleeps until something happens or `most` is over; sends meanwhile what is still to be sent.
  [[nodiscard]] virtual Event wait(Duration most) = 0;
  /// Takes bytes for the terminal; wait() sends them as fast as the line takes them.
  virtual void send(std::string_view bytes) = 0;
  /// All that was given to send() is out.
  [[nodiscard]] virtual bool idle() const = 0;
};

/// The process's own terminal. Between enter() and leave() the signals that end, stop or resize come as events.
class Terminal final : public Console {
 public:
  Terminal(int in, int out);
  ~Terminal() override;
  Terminal(const Terminal&) = delete;
  Terminal& operator=(const Terminal&) = delete;

  [[nodiscard]] bool interactive() const override { return interactive_; }
  [[nodiscard]] ScreenSize size() const override;
  void enter() override;
  void leave() override;
  [[nodiscard]] Event wait(Duration most) override;
  void send(std::string_view bytes) override { unsent_ += bytes; }
  [[nodiscard]] bool idle() const override { return unsent_.empty(); }

 private:
  struct Saved;
  [[nodiscard]] std::optional<Event> take_signal();
  [[nodiscard]] std::optional<Event> take_key();
  void send_some();
  void suspend();
  void set_up();
  void put_back();

  int in_;
  int out_;
  bool interactive_;
  bool gone_ = false;
  int signals_ = -1;  ///< a signalfd while entered
  Saved* saved_ = nullptr;
  std::string unsent_;
};

}  // namespace nightwatt::query
