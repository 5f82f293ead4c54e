#include "daemon/port_tap.hpp"

#include <algorithm>
#include <utility>

namespace nightwatt::daemon {

void PortTap::add(MonoTime now, TappedPiece piece) {
  if (!asked_) return;
  if (now - *asked_ > silence_limit) {
    asked_.reset();
    while (!pieces_.empty()) drop_first();
    pieces_.shrink_to_fit();
    return;
  }
  bytes_ += piece.bytes.size();
  pieces_.push_back(std::move(piece));
  while (pieces_.size() > pieces_limit || (bytes_ > bytes_limit && pieces_.size() > 1)) drop_first();
}

PortTap::Answer PortTap::take(MonoTime now, std::optional<std::uint64_t> after) {
  asked_ = now;
  Answer answer;
  answer.next = first_ + pieces_.size();
  if (!after) return answer;
  answer.missed = first_ > *after ? first_ - *after : 0;
  const std::uint64_t from = std::clamp(*after, first_, answer.next);
  answer.pieces.assign(pieces_.begin() + static_cast<std::ptrdiff_t>(from - first_), pieces_.end());
  return answer;
}

void PortTap::drop_first() {
  bytes_ -= pieces_.front().bytes.size();
  pieces_.pop_front();
  ++first_;
}

}  // namespace nightwatt::daemon
