// What watchers of the status page cost the service, and whether a reading is lost over them; beside it the service
// without watchers and a plain server in Python that sends as much to as many. Usage: bench_page [SECONDS] [WATCHERS]
#include <arpa/inet.h>
#include <dirent.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>
#include <chrono>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

namespace {

namespace fs = std::filesystem;
using Clock = std::chrono::steady_clock;

constexpr int service_port = 18471;
constexpr int peer_port = 18472;
constexpr double settle_s = 4.0;  // connecting and the first, long message are not what watching costs

const char* const profile = R"(protocol = "text-line"
line = { baud = 115200 }
interval_s = 1.0
[text-line]
form = "csv"
[[read]]
quantity = "power"
field = 2
resolution = 0.01
)";

const char* const peer = R"(import http.server, socketserver, sys, threading
text = b"event: state\ndata: " + b"x" * int(sys.argv[2]) + b"\n\n"
class Stream(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        self.send_response(200); self.send_header("Content-Type", "text/event-stream"); self.end_headers()
        try:
            while True:
                self.wfile.write(text); self.wfile.flush(); threading.Event().wait(1)
        except OSError: pass
    def log_message(self, *words): pass
class Server(socketserver.ThreadingMixIn, http.server.HTTPServer):
    daemon_threads = True; request_queue_size = 128
Server(("127.0.0.1", int(sys.argv[1])), Stream).serve_forever()
)";

pid_t start(const std::vector<std::string>& words, const fs::path& log) {
  const pid_t child = ::fork();
  if (child != 0) return child;
  const int out = ::open(log.c_str(), O_WRONLY | O_CREAT | O_APPEND, 0600);
  ::dup2(out, STDOUT_FILENO);
  ::dup2(out, STDERR_FILENO);
  std::vector<char*> argv;
  for (const std::string& word : words) argv.push_back(const_cast<char*>(word.c_str()));
  argv.push_back(nullptr);
  ::execvp(argv[0], argv.data());
  ::_exit(127);
}

void end(pid_t child) {
  ::kill(child, SIGTERM);
  ::waitpid(child, nullptr, 0);
}

/// Processor time of all threads, from the scheduler's account in nanoseconds (first field of schedstat).
double cpu_s(pid_t process) {
  double sum = 0.0;
  std::error_code gone;
  for (const auto& thread : fs::directory_iterator("/proc/" + std::to_string(process) + "/task", gone)) {
    std::ifstream stat(thread.path() / "schedstat");
    double ns = 0.0;
    if (stat >> ns) sum += ns * 1e-9;
  }
  return sum;
}

int connected(int port) {
  const int fd = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_port = htons(static_cast<std::uint16_t>(port));
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  if (::connect(fd, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0) return fd;
  ::close(fd);
  return -1;
}

void send_request(int fd, const std::string& target) {
  const std::string text = "GET " + target + " HTTP/1.1\r\nHost: localhost\r\n\r\n";
  if (::send(fd, text.data(), text.size(), MSG_NOSIGNAL) < 0) std::cout << "  a request could not be sent\n";
}

/// Reads all streams as they come; those that tell say every 3 s over a connection of their own what they have seen, as
/// the page does.
class Watchers {
 public:
  Watchers(int port, std::size_t count, bool tell) : tell_(tell) {
    for (std::size_t i = 0; i < count; ++i) {
      watchers_.push_back({connected(port), tell ? connected(port) : -1, {}, {}});
      send_request(watchers_.back().stream, "/live");
    }
    thread_ = std::thread([this] { work(); });
  }
  ~Watchers() {
    stop_ = true;
    thread_.join();
    for (const Watcher& watcher : watchers_) {
      ::close(watcher.stream);
      if (watcher.notifier >= 0) ::close(watcher.notifier);
    }
  }
  Watchers(const Watchers&) = delete;
  Watchers& operator=(const Watchers&) = delete;
  [[nodiscard]] std::uint64_t bytes() const { return bytes_; }
  [[nodiscard]] int lost() const { return lost_; }

 private:
  struct Watcher {
    int stream, notifier;
    std::string number;  ///< of the stream
    std::string head;    ///< until the number was found in it
  };

  void work() {
    auto next = Clock::now() + std::chrono::seconds(1);
    std::vector<pollfd> polled;
    for (const Watcher& watcher : watchers_) {
      polled.push_back({watcher.stream, POLLIN, 0});
      polled.push_back({watcher.notifier, POLLIN, 0});
    }
    while (!stop_) {
      if (::poll(polled.data(), polled.size(), 100) < 0) continue;
      for (std::size_t i = 0; i < polled.size(); ++i)
        if (polled[i].revents != 0 && !take(watchers_[i / 2], polled[i].fd, i % 2 == 0)) polled[i].fd = -1;
      if (!tell_ || Clock::now() < next) continue;
      next = Clock::now() + std::chrono::seconds(3);
      for (const Watcher& watcher : watchers_)
        if (!watcher.number.empty()) send_request(watcher.notifier, "/live/seen?stream=" + watcher.number);
    }
  }

  bool take(Watcher& watcher, int fd, bool stream) {
    static char buffer[1 << 16];
    const ssize_t got = ::recv(fd, buffer, sizeof buffer, MSG_DONTWAIT);
    if (got <= 0) {
      if (!stop_) ++lost_;
      return false;
    }
    if (!stream) return true;
    bytes_ += static_cast<std::uint64_t>(got);
    if (!watcher.number.empty()) return true;
    watcher.head.append(buffer, static_cast<std::size_t>(got));
    const std::size_t at = watcher.head.find("{\"stream\":");
    if (at != std::string::npos) watcher.number = watcher.head.substr(at + 10, watcher.head.find('}', at) - at - 10);
    return true;
  }

  const bool tell_;
  std::vector<Watcher> watchers_;
  std::atomic<bool> stop_ = false;
  std::atomic<std::uint64_t> bytes_ = 0;
  std::atomic<int> lost_ = 0;
  std::thread thread_;
};

void pass(double seconds) {
  const timespec time{static_cast<time_t>(seconds),
                      static_cast<long>((seconds - static_cast<double>(static_cast<time_t>(seconds))) * 1e9)};
  ::nanosleep(&time, nullptr);
}

/// Prints the server's share of a core while it is watched; gives the bytes a watcher gets a second.
double measure(const char* name, pid_t server, int port, std::size_t count, bool tell, double seconds) {
  Watchers watchers(port, count, tell);
  pass(settle_s);
  const double cpu = cpu_s(server);
  const std::uint64_t bytes = watchers.bytes();
  pass(seconds);
  const double share = 100.0 * (cpu_s(server) - cpu) / seconds;
  const double each =
      count == 0 ? 0.0 : static_cast<double>(watchers.bytes() - bytes) / seconds / static_cast<double>(count);
  std::printf("  %-52s %6.3f %% of a core %9.0f bytes/s each %4d dropped\n", name, share, each, watchers.lost());
  return each;
}

bool wait_for(int port) {
  for (int i = 0; i < 200; ++i) {
    if (const int fd = connected(port); fd >= 0) return ::close(fd) == 0;
    pass(0.05);
  }
  return false;
}

std::string output_of(const std::string& command) {
  std::string text;
  FILE* pipe = ::popen(command.c_str(), "r");
  char buffer[4096];
  while (pipe != nullptr && std::fgets(buffer, sizeof buffer, pipe) != nullptr) text += buffer;
  if (pipe != nullptr) ::pclose(pipe);
  return text;
}

/// Readings of the meter as stored against frames the simulator logged since the first of them, which it logs a moment
/// after it said it.
void compare(const fs::path& folder) {
  std::istringstream stored(output_of(std::string(NIGHTWATT_BIN_DIR) + "/nightwatt --store " +
                                      (folder / "night.db").string() +
                                      " export --meter bench --from 0 --to 4000000000 --format csv"));
  long readings = 0;
  double first = 0.0;
  for (std::string line; std::getline(stored, line);) {
    if (line.empty() || line[0] < '0' || line[0] > '9') continue;
    if (readings++ == 0) first = std::stod(line);
  }
  std::ifstream log(folder / "sent.log");
  long frames = 0;
  for (std::string line; std::getline(log, line);) {
    std::istringstream words(line);
    double number = 0, simulated = 0, sent = 0;
    if (words >> number >> simulated >> sent && sent > first - 0.05) ++frames;
  }
  std::printf("  %ld frames sent since the first one stored, %ld readings stored\n", frames, readings);
}

}  // namespace

int main(int argc, char** argv) {
  const double seconds = argc > 1 ? std::atof(argv[1]) : 20.0;
  const std::size_t count = argc > 2 ? static_cast<std::size_t>(std::atoi(argv[2])) : 50;
  ::signal(SIGPIPE, SIG_IGN);
  std::string pattern = (fs::temp_directory_path() / "nightwatt-bench-XXXXXX").string();
  if (::mkdtemp(pattern.data()) == nullptr) return 1;
  const fs::path folder = pattern;
  std::ofstream(folder / "meter.toml") << profile;
  std::ofstream(folder / "night.sim") << "noise white 0.4\nlevel 5 for 30min\nlevel 25 for 8h\n";
  std::ofstream(folder / "peer.py") << peer;
  std::ofstream(folder / "nightwatt.toml")
      << "[store]\npath = \"night.db\"\n[control]\nsocket = \"control.sock\"\n[page]\nlisten = \"127.0.0.1:"
      << service_port << "\"\n[[meter]]\nname = \"bench\"\nport = \"port\"\nprofile = \"meter.toml\"\n";
  const std::string programs = NIGHTWATT_BIN_DIR;
  // Ten times as fast as the meter says it is: ten readings a second.
  const pid_t meter =
      start({programs + "/nightwatt-sim", "--profile", folder / "meter.toml", "--script", folder / "night.sim",
             "--link", folder / "port", "--log", folder / "sent.log", "--speed", "10"},
            folder / "sim.log");
  pass(0.5);
  const pid_t service =
      start({programs + "/nightwattd", "--config", folder / "nightwatt.toml", "--foreground"}, folder / "service.log");
  if (!wait_for(service_port)) return 1;
  std::printf("one meter at 10 readings/s, %zu watchers, %.0f s each\n", count, seconds);
  measure("nightwattd, nobody watches", service, service_port, 0, false, seconds);
  const double told = measure("nightwattd, watched as the page does", service, service_port, count, true, seconds);
  measure("nightwattd, watched by clients that tell nothing", service, service_port, count, false, seconds);
  const pid_t server =
      start({"python3", folder / "peer.py", std::to_string(peer_port), std::to_string(static_cast<int>(told))},
            folder / "peer.log");
  if (!wait_for(peer_port)) return 1;
  measure("Python's http.server, the same bytes", server, peer_port, count, false, seconds);
  end(server);
  end(meter);
  pass(2.0);
  end(service);
  compare(folder);
  fs::remove_all(folder);
}
