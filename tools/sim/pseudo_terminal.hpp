// A pseudo-terminal under a lasting name, which can be unplugged and put back like a USB adapter.
#pragma once

#include <cstddef>
#include <span>
#include <string>

#include "measure/signal/result.hpp"

namespace nightwatt::sim {

/// Owns the master's descriptor, one slave's descriptor and the link. Keeping a slave open spares the master EIO while
/// no program has the port open. One thread.
class PseudoTerminal {
 public:
  explicit PseudoTerminal(std::string link) : link_(std::move(link)) {}
  ~PseudoTerminal() { unplug(); }
  PseudoTerminal(const PseudoTerminal&) = delete;
  PseudoTerminal& operator=(const PseudoTerminal&) = delete;

  /// A new pseudo-terminal, raw, with the link pointing to it. Kind input: the link's path is in use by something that
  /// is no link; unusable: the system gives none.
  [[nodiscard]] Result<void> plug();
  /// Who has it open sees a hang-up; the link goes first.
  void unplug();
  [[nodiscard]] bool plugged() const { return master_ >= 0; }
  [[nodiscard]] int descriptor() const { return master_; }

  /// True if all bytes found room. What finds none is lost, as on a wire nobody reads.
  [[nodiscard]] bool write(std::span<const std::byte> bytes);
  /// What is there now; empty: nothing.
  [[nodiscard]] std::span<const std::byte> read(std::span<std::byte> buffer);
  /// Exclusive use ends with the last close of a real port. The slave kept open here is that last one, so a reader
  /// killed without closing would lock the port for ever: let go for it.
  void release_exclusive_use();

 private:
  [[nodiscard]] Result<void> make_link(const std::string& slave_name);

  std::string link_;
  std::string slave_name_;
  int master_ = -1;
  int slave_ = -1;
};

}  // namespace nightwatt::sim
