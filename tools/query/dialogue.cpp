#include "dialogue.hpp"

#include <poll.h>
#include <unistd.h>

#include <array>
#include <cerrno>

#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

constexpr int redraw_ms = 500;
constexpr std::size_t answer_limit = 4096;  // a line of a terminal (Linux: N_TTY_BUF_SIZE)
constexpr int attempts = 20;                // answers that are no answer, before one gives up

tl::unexpected<Error> ended() {
  return fail(ErrorKind::negative, "the answers ended before the questions did: nothing was written");
}

std::string trimmed(std::string text) {
  while (!text.empty() && (text.back() == ' ' || text.back() == '\r' || text.back() == '\t')) text.pop_back();
  text.erase(0, text.find_first_not_of(" \t"));
  return text;
}

}  // namespace

void Dialogue::say(std::string_view text) {
  out_.write(text);
  out_.write("\n");
  out_.flush();
}

void Dialogue::say(const Frame& frame) {
  for (const FrameLine& line : frame) out_.write(line_text(cut_line(line, style_.columns), style_) + "\n");
  out_.flush();
}

Result<std::string> Dialogue::read_line(const std::function<void()>& meanwhile) {
  for (;;) {
    if (const std::size_t end = typed_.find('\n'); end != std::string::npos) {
      const std::string line = trimmed(typed_.substr(0, end));
      typed_.erase(0, end + 1);
      return line;
    }
    if (typed_.size() > answer_limit)
      return fail(ErrorKind::input, "an answer of more than a line: nothing was written");
    pollfd entry{in_, POLLIN, 0};
    const int ready = ::poll(&entry, 1, meanwhile ? redraw_ms : -1);
    if (ready == 0 && meanwhile) meanwhile();
    if (ready <= 0) continue;
    std::array<char, 256> chunk{};
    const ssize_t got = ::read(in_, chunk.data(), chunk.size());
    if (got < 0 && (errno == EINTR || errno == EAGAIN)) continue;
    if (got <= 0) return ended();
    typed_.append(chunk.data(), static_cast<std::size_t>(got));
  }
}

Result<std::string> Dialogue::ask(const std::string& question, const std::string& suggestion) {
  if (!asks_) return suggestion;
  out_.write(question + (suggestion.empty() ? ": " : " [" + text::printable(suggestion) + "]: "));
  out_.flush();
  auto line = read_line(nullptr);
  if (line && line->empty()) return suggestion;
  return line;
}

Result<bool> Dialogue::agree(const std::string& question, bool suggestion) {
  if (!asks_) return suggestion;
  for (int i = 0; i < attempts; ++i) {
    const auto line = ask(question + " (y/n)", suggestion ? "y" : "n");
    if (!line) return tl::unexpected(line.error());
    if (*line == "y" || *line == "Y" || *line == "yes") return true;
    if (*line == "n" || *line == "N" || *line == "no") return false;
    say("Please answer y or n.");
  }
  return ended();
}

Result<std::string> Dialogue::ask_below(const std::function<Frame()>& frame, const std::string& question,
                                        const std::string& suggestion) {
  std::size_t lines = 0;
  const auto draw = [&] {
    const Frame fresh = frame();
    lines = fresh.size();
    return fresh;
  };
  if (!asks_) {
    say(draw());
    return suggestion;
  }
  say(draw());
  out_.write(question + (suggestion.empty() ? ": " : " [" + text::printable(suggestion) + "]: "));
  out_.flush();
  // Saves the cursor, goes up to the frame, and comes back to what is being typed.
  const auto redraw = [&] {
    const std::size_t up = lines;
    const Frame fresh = draw();
    if (fresh.size() != up) return;
    out_.write(
        "\x1b"
        "7\x1b[" +
        std::to_string(up) + "A\r");
    for (const FrameLine& line : fresh) out_.write(line_text(cut_line(line, style_.columns), style_) + "\x1b[K\r\n");
    out_.write(
        "\x1b"
        "8");
    out_.flush();
  };
  auto line = read_line(redraw);
  if (line && line->empty()) return suggestion;
  return line;
}

Result<void> Dialogue::ask_until(const std::string& question, const std::string& suggestion,
                                 const std::function<Result<void>(const std::string&)>& take) {
  for (int i = 0; i < attempts; ++i) {
    const auto line = ask(question, suggestion);
    if (!line) return tl::unexpected(line.error());
    const auto taken = take(*line);
    if (taken || !asks_) return taken;
    say(text::printable(taken.error().message));
  }
  return ended();
}

}  // namespace nightwatt::query
