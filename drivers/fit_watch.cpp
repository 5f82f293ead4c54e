#include "fit_watch.hpp"

#include <algorithm>

#include "fault_text.hpp"
#include "looks_like.hpp"

namespace nightwatt::drivers {

namespace {

/// A meter that speaks every ten seconds has by then spoken twice.
constexpr Duration long_enough{20'000'000};
/// Fewer bytes are noise.
constexpr std::size_t few_bytes = 64;
/// Of a capture: what is smaller is a handful of frames, and their own faults say enough.
constexpr std::size_t small_capture = 256;
constexpr std::size_t tiny_capture = 32;
constexpr std::string_view misfit = "no reading out of ";

/// Whether what a port looks like names the protocol as it is, and not how it would have to be set.
bool names(std::string_view seen, std::string_view protocol) {
  for (std::size_t at = seen.find(protocol); at != std::string_view::npos; at = seen.find(protocol, at + 1)) {
    const std::string_view before = seen.substr(0, at);
    const std::string_view after = seen.substr(at + protocol.size());
    if ((before.ends_with('(') || before.ends_with(", ")) && (after.starts_with(')') || after.starts_with(',')))
      return true;
  }
  return false;
}

}  // namespace

bool tells_misfit(const Fault& fault) {
  return fault.kind == FaultKind::mismatch && fault.message.starts_with(misfit);
}

void UnreadBytes::add(std::span<const std::byte> bytes) {
  const auto part = bytes.first(std::min(bytes.size(), limit - bytes_.size()));
  bytes_.insert(bytes_.end(), part.begin(), part.end());
}

Fault UnreadBytes::fault(std::uint64_t at_byte) const {
  const std::string count = std::string(misfit) + std::to_string(bytes_.size()) + " bytes";
  const std::string seen(looks_like(bytes_));
  if (names(seen, protocol_))
    return make_fault(FaultKind::mismatch, at_byte,
                      count + ", though this looks like " + seen +
                          ", as the profile says: are its checks wrong, or the "
                          "registers that the profile asks for not in it?");
  return make_fault(FaultKind::mismatch, at_byte,
                    count + ": this looks like " + seen + "; the profile says " + protocol_);
}

void WatchedDecoder::reset(Duration now) {
  decoder_->reset(now);
  fits_ = false;
  unread_.forget();
  without_ = 0;
  since_.reset();
}

void WatchedDecoder::feed(std::span<const std::byte> bytes, Duration now, Output& out) {
  // Before the bytes of this instant, however many calls they come in.
  if (now > heard_at_ && !fits_ && since_ && now - *since_ >= long_enough && unread_.size() >= few_bytes &&
      unread_limit_ == UnreadBytes::limit)
    tell(out);
  heard_at_ = now;
  // Cut where it may be told, so that what comes out does not depend on the pieces.
  while (!bytes.empty()) {
    const std::uint64_t room = fits_ ? bytes.size() : unread_limit_ - without_;
    const auto part = bytes.first(static_cast<std::size_t>(std::min<std::uint64_t>(room, bytes.size())));
    bytes = bytes.subspan(part.size());
    const std::size_t readings = out.readings.size();
    decoder_->feed(part, now, out);
    fed_ += part.size();
    note_readings(readings, out);
    if (fits_) continue;
    if (!since_) since_ = now;
    unread_.add(part);
    without_ += part.size();
    if (without_ >= unread_limit_) tell(out);
  }
}

// A round of questions may end in a time-out of its last: its reading comes with no byte.
void WatchedDecoder::tick(Duration now, Output& out) {
  const std::size_t readings = out.readings.size();
  decoder_->tick(now, out);
  note_readings(readings, out);
}

void WatchedDecoder::note_readings(std::size_t before, const Output& out) {
  if (out.readings.size() == before) return;
  fits_ = true;
  unread_.forget();
}

void WatchedDecoder::tell(Output& out) {
  constexpr std::uint64_t times = 8;
  out.faults.push_back(unread_.fault(fed_));
  unread_.forget();
  without_ = 0;
  unread_limit_ *= times;
}

void WatchedCapture::feed(std::span<const std::byte> bytes, Output& out) {
  const std::size_t readings = out.readings.size();
  const std::size_t faults = out.faults.size();
  decoder_->feed(bytes, out);
  if (!fits_) unread_.add(bytes);
  note(readings, faults, out);
}

void WatchedCapture::finish(Output& out) {
  const std::size_t readings = out.readings.size();
  const std::size_t faults = out.faults.size();
  decoder_->finish(out);
  note(readings, faults, out);
  const std::size_t least = faulty_ ? small_capture : tiny_capture;
  if (!fits_ && unread_.size() >= least) out.faults.push_back(unread_.fault(0));
}

void WatchedCapture::note(std::size_t readings, std::size_t faults, const Output& out) {
  fits_ = fits_ || out.readings.size() > readings;
  faulty_ = faulty_ || out.faults.size() > faults;
  if (fits_) unread_.forget();
}

}  // namespace nightwatt::drivers
