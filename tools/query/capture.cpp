#include <fcntl.h>
#include <poll.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <chrono>
#include <system_error>

#include "capture_file.hpp"
#include "context.hpp"
#include "daemon/system_port.hpp"
#include "drivers/decoder.hpp"
#include "drivers/port.hpp"
#include "drivers/protocols.hpp"
#include "drivers/tcp_port.hpp"
#include "measure/signal/time_text.hpp"
#include "process.hpp"
#include "service.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

using Steady = std::chrono::steady_clock;

constexpr double usual_seconds = 30.0;
constexpr double longest_seconds = 3'600.0;
constexpr std::size_t file_limit = std::size_t{64} * 1024 * 1024;  // half an hour at 115200 baud, in hexadecimal
constexpr double between_questions_s = 0.2;                        // to the service, which keeps seconds of a fast line
constexpr std::size_t read_bytes = 4096;
constexpr double a_look_s = 1e-4;  // for signals that came

/// Writes pieces as they come, up to its limit.
class CaptureFile {
 public:
  static Result<CaptureFile> make(const std::string& path) {
    if (auto may = may_be_made(path); !may) return tl::unexpected(may.error());
    const int descriptor = ::open(path.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0640);
    if (descriptor < 0) return fail(ErrorKind::input, "cannot write " + shown(path) + ": " + reason());
    return CaptureFile(path, descriptor);
  }
  CaptureFile(CaptureFile&& other) noexcept
      : path_(std::move(other.path_)), descriptor_(std::exchange(other.descriptor_, -1)), written_(other.written_) {}
  CaptureFile& operator=(CaptureFile&&) = delete;
  ~CaptureFile() {
    if (descriptor_ >= 0) ::close(descriptor_);
  }

  Result<void> write(std::string_view text) {
    written_ += text.size();
    while (!text.empty()) {
      const ssize_t put = ::write(descriptor_, text.data(), text.size());
      if (put < 0 && errno != EINTR) return fail(ErrorKind::unusable, "cannot write " + shown(path_) + ": " + reason());
      if (put > 0) text.remove_prefix(static_cast<std::size_t>(put));
    }
    return {};
  }
  [[nodiscard]] bool full() const { return written_ >= file_limit; }

 private:
  CaptureFile(std::string path, int descriptor) : path_(std::move(path)), descriptor_(descriptor) {}

  static std::string shown(const std::string& path) { return text::printable(path); }
  static std::string reason() { return std::generic_category().message(errno); }

  /// Nothing but an earlier capture, or an empty file, is written over.
  static Result<void> may_be_made(const std::string& path) {
    struct stat info {};
    if (::stat(path.c_str(), &info) != 0 || info.st_size == 0) return {};
    std::string begin(capture_mark.size(), '\0');
    const int descriptor = S_ISREG(info.st_mode) ? ::open(path.c_str(), O_RDONLY | O_CLOEXEC) : -1;
    const bool read = descriptor >= 0 && ::read(descriptor, begin.data(), begin.size()) > 0;
    if (descriptor >= 0) ::close(descriptor);
    if (read && begin == capture_mark) return {};
    return fail(ErrorKind::input, shown(path) + " is there and is no capture: give -o another name");
  }

  std::string path_;
  int descriptor_;
  std::size_t written_ = 0;
};

/// What was caught, and how long it may go on.
class Catch {
 public:
  Catch(CaptureFile& file, UtcTime begin, double seconds)
      : file_(file), begin_(begin), until_(Steady::now() + std::chrono::microseconds(to_duration({seconds}))) {}

  Result<void> add(UtcTime at, bool sent, std::span<const std::byte> bytes) {
    (sent ? sent_ : received_) += bytes.size();
    return file_.write(capture_lines(begin_, at, sent, bytes));
  }
  Result<void> remark(const std::string& text) { return file_.write("# " + text + "\n"); }
  [[nodiscard]] double left_s() const { return std::chrono::duration<double>(until_ - Steady::now()).count(); }
  [[nodiscard]] bool done() const { return left_s() <= 0.0 || file_.full(); }
  [[nodiscard]] bool full() const { return file_.full(); }
  [[nodiscard]] std::size_t received() const { return received_; }
  [[nodiscard]] std::size_t sent() const { return sent_; }

 private:
  CaptureFile& file_;
  UtcTime begin_;
  Steady::time_point until_;
  std::size_t received_ = 0;
  std::size_t sent_ = 0;
};

/// Through the running service, which has the port.
Result<void> catch_through_service(Context& context, const std::string& meter, std::uint64_t next, Catch& caught,
                                   const HeldSignals& signals) {
  bool last = false;
  while (!last) {
    last = caught.done() || signals.wait(std::min(between_questions_s, caught.left_s())).has_value();
    const auto tapped = service_capture(context, meter, next);
    if (!tapped) return tl::unexpected(tapped.error());
    next = tapped->next;
    if (tapped->missed > 0)
      if (auto put = caught.remark(std::to_string(tapped->missed) + " pieces missed here"); !put) return put;
    for (const CapturedPiece& piece : tapped->pieces)
      if (auto put = caught.add(piece.at, piece.sent, piece.bytes); !put) return put;
  }
  return {};
}

/// Without the service: asks the meter as the service would, and lets nobody else have the port meanwhile.
class Direct {
 public:
  Direct(Context& context, const config::MeterConfig& meter, Catch& caught)
      : context_(context), meter_(meter), caught_(caught) {}

  Result<void> run(const HeldSignals& signals) {
    auto decoder = drivers::make_decoder(meter_.profile);
    if (!decoder) return tl::unexpected(decoder.error());
    decoder_ = std::move(*decoder);
    if (auto opened = open(signals); !opened) return opened;
    decoder_->reset(now());
    decoder_->tick(now(), output_);
    while (!caught_.done() && !signals.wait(a_look_s)) {
      if (auto put = send(); !put) return put;
      if (auto got = receive(); !got) return got;
      decoder_->tick(now(), output_);
      output_.readings.clear();
      output_.faults.clear();
    }
    return {};
  }

 private:
  [[nodiscard]] Duration now() const { return std::chrono::duration_cast<Duration>(Steady::now() - start_); }

  /// A name may have to be looked up, a connection to come about: until the time is over.
  Result<void> open(const HeldSignals& signals) {
    const daemon::SystemPorts ports;
    for (;;) {
      auto opened = ports(meter_);
      if (opened) {
        port_ = std::move(*opened);
        break;
      }
      const bool waiting = opened.error().state == "opening";
      if (!waiting || caught_.done() || signals.wait(between_questions_s))
        return fail(ErrorKind::unusable, "port of meter " + text::printable(meter_.name) + " (" + opened.error().state +
                                             "): " + opened.error().why);
    }
    if (!port_.connecting) return {};
    pollfd entry{port_.descriptor, POLLOUT, 0};
    constexpr int longest_connect_ms = 5'000;
    const bool ready = ::poll(&entry, 1, longest_connect_ms) > 0;
    const std::string why = ready ? drivers::connect_error(port_.descriptor) : "no answer";
    if (!why.empty()) return fail(ErrorKind::unusable, port_.where + ": " + why);
    return {};
  }

  Result<void> send() {
    if (!output_.send.empty()) {
      const ssize_t put = ::write(port_.descriptor, output_.send.data(), output_.send.size());
      if (put > 0) {
        const auto sent = std::span(output_.send).first(static_cast<std::size_t>(put));
        if (auto added = caught_.add(context_.now(), true, sent); !added) return added;
        output_.send.erase(output_.send.begin(), output_.send.begin() + put);
      }
    }
    if (output_.line && output_.send.empty() && drivers::all_sent(port_.descriptor)) {
      if (auto set = drivers::change_line(port_.descriptor, *output_.line); !set)
        return fail(ErrorKind::unusable, set.error().message);
      output_.line.reset();
    }
    return {};
  }

  /// Waits for bytes until the decoder, a look at the signals or the end is due.
  Result<void> receive() {
    double wait_s = std::min(between_questions_s, caught_.left_s());
    constexpr double look_again_s = 0.005;  // while bytes or a change of the line wait to be out
    if (!output_.send.empty() || output_.line) wait_s = std::min(wait_s, look_again_s);
    if (const auto next = decoder_->next_tick()) wait_s = std::min(wait_s, to_seconds(*next - now()).value);
    pollfd entry{port_.descriptor, POLLIN, 0};
    constexpr double ms_per_s = 1'000.0;
    const int ready = ::poll(&entry, 1, static_cast<int>(std::max(0.0, wait_s) * ms_per_s) + (wait_s > 0.0 ? 1 : 0));
    if (ready <= 0) return {};
    std::array<std::byte, read_bytes> buffer{};
    const ssize_t got = ::read(port_.descriptor, buffer.data(), buffer.size());
    if (got < 0 && (errno == EAGAIN || errno == EINTR)) return {};
    if (got <= 0)
      return fail(ErrorKind::unusable, port_.where + ": the other end hung up; what came until then is kept");
    const auto bytes = std::span(buffer).first(static_cast<std::size_t>(got));
    if (auto added = caught_.add(context_.now(), false, bytes); !added) return added;
    decoder_->feed(bytes, now(), output_);
    return {};
  }

  Context& context_;
  const config::MeterConfig& meter_;
  Catch& caught_;
  std::unique_ptr<drivers::Decoder> decoder_;
  daemon::OpenedPort port_;
  drivers::Output output_;
  const Steady::time_point start_ = Steady::now();
};

Result<const config::MeterConfig*> meter_of(Context& context, const MaybeWord& name) {
  const auto configuration = context.configuration();
  if (!configuration) return tl::unexpected(configuration.error());
  if (*configuration == nullptr || (*configuration)->meters.empty())
    return fail(ErrorKind::input, "no meter is configured; `nightwatt setup` makes a configuration");
  const auto& meters = (*configuration)->meters;
  if (!name && meters.size() == 1) return meters.data();
  std::string names;
  for (const config::MeterConfig& meter : meters) {
    if (name && meter.name == *name) return &meter;
    names += (names.empty() ? "" : ", ") + text::printable(meter.name);
  }
  return fail(ErrorKind::input,
              (name ? "no meter " + text::quoted(*name) : "several meters: say --meter") + "; there is " + names);
}

Result<double> seconds_of(const MaybeWord& word) {
  if (!word) return usual_seconds;
  const auto seconds = number_from("--seconds", *word);
  if (!seconds) return tl::unexpected(seconds.error());
  if (!(*seconds > 0.0 && *seconds <= longest_seconds))
    return fail(ErrorKind::input, "--seconds must be above 0 and at most 3600");
  return *seconds;
}

std::string header_of(const config::MeterConfig& meter, UtcTime begin, bool through_service) {
  return std::string(capture_mark) + "\n# meter " + text::printable(meter.name) + ", profile " +
         text::printable(meter.profile.name) + ", " + std::string(meter.profile.protocol_name()) + ", nightwatt " +
         NIGHTWATT_VERSION + "\n# begun " + utc_text(begin) + (through_service ? ", by the service" : "") +
         "; < came, > was sent\n";
}

}  // namespace

Outcome run(Context& context, const CaptureArguments& arguments) {
  const auto seconds = seconds_of(arguments.seconds);
  if (!seconds) return tl::unexpected(seconds.error());
  const auto meter = meter_of(context, arguments.meter);
  if (!meter) return tl::unexpected(meter.error());
  // A service that runs has the port; one that does not know the meter has not.
  const auto begun = service_capture(context, (*meter)->name, std::nullopt);
  if (!begun && begun.error().kind != ErrorKind::unusable && begun.error().kind != ErrorKind::input)
    return tl::unexpected(begun.error());
  auto file = CaptureFile::make(arguments.out);
  if (!file) return tl::unexpected(file.error());
  const HeldSignals signals;
  const UtcTime begin = context.now();
  if (auto put = file->write(header_of(**meter, begin, begun.has_value())); !put) return tl::unexpected(put.error());
  Catch caught(*file, begin, *seconds);
  const auto done = begun ? catch_through_service(context, (*meter)->name, begun->next, caught, signals)
                          : Direct(context, **meter, caught).run(signals);
  if (!done) return tl::unexpected(done.error());
  if (context.json) {
    JsonWriter(context.out)
        .begin_document()
        .field("meter", (*meter)->name)
        .field("file", arguments.out)
        .field("received_bytes", static_cast<std::int64_t>(caught.received()))
        .field("sent_bytes", static_cast<std::int64_t>(caught.sent()))
        .end_object();
    context.out.write("\n");
    return caught.received() > 0 ? 0 : 1;
  }
  context.out.write(text::printable(arguments.out) + ": " + std::to_string(caught.received()) + " bytes came" +
                    (caught.sent() > 0 ? ", " + std::to_string(caught.sent()) + " were sent" : std::string()) +
                    (caught.full() ? "; stopped at the largest file" : "") + "\n");
  if (caught.received() == 0)
    return fail(ErrorKind::negative, "nothing came over the port of meter " + text::printable((*meter)->name) +
                                         (begun ? " (" + begun->state + ")" : std::string()) +
                                         ": look at the cable, and for how long the meter keeps silent");
  context.out.write("  nightwatt decode " + text::printable(arguments.out) + " --profile " +
                    text::printable((*meter)->profile_file) + "\n");
  return 0;
}

}  // namespace nightwatt::query
