// What the recording service costs: processor time, memory and bytes written, beside a row-a-reading writer made of
// cat, sed and the sqlite3 shell that reads the same lines at the same time. Usage: bench_service [SECONDS]
#include <dirent.h>
#include <fcntl.h>
#include <signal.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include <atomic>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

namespace {

constexpr double warm_up_s = 5.0;  // start-up, opening the store and the ports, is not the night's cost

/// A pseudo-terminal; the bench holds the meter's end.
struct Pty {
  int meter = -1;
  int keep_open = -1;  ///< a second hand on the far end, so that a write before anybody opened it is no error
  std::string path;
};

Pty make_pty() {
  Pty pty;
  pty.meter = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
  if (pty.meter < 0 || ::grantpt(pty.meter) != 0 || ::unlockpt(pty.meter) != 0) std::abort();
  pty.path = ::ptsname(pty.meter);
  pty.keep_open = ::open(pty.path.c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
  termios raw{};
  ::tcgetattr(pty.keep_open, &raw);
  ::cfmakeraw(&raw);
  ::tcsetattr(pty.keep_open, TCSANOW, &raw);
  return pty;
}

/// Starts a shell command as the head of a process group of its own.
pid_t start(const std::string& command, const std::string& log) {
  const pid_t child = ::fork();
  if (child != 0) return child;
  ::setpgid(0, 0);
  const int out = ::open(log.c_str(), O_WRONLY | O_CREAT | O_APPEND, 0600);
  ::dup2(out, STDOUT_FILENO);
  ::dup2(out, STDERR_FILENO);
  ::execl("/bin/sh", "sh", "-c", command.c_str(), nullptr);
  ::_exit(127);
}

struct Cost {
  double cpu_s = 0.0;
  double rss_mb = 0.0;
  double written_mb = 0.0;  ///< by the kernel's account, in whole pages: what goes to the disk
  double handed_mb = 0.0;   ///< by the program's write calls, pipes and all
};

// proc(5): fields 3 (state) on after the closing parenthesis of the name; pgrp is field 5, utime 14, stime 15.
Cost cost_of_process(const std::string& pid, pid_t group) {
  std::ifstream stat("/proc/" + pid + "/stat");
  std::string text;
  if (!std::getline(stat, text)) return {};
  std::istringstream fields(text.substr(text.rfind(')') + 2));
  std::vector<std::string> field;
  for (std::string word; fields >> word;) field.push_back(word);
  if (field.size() < 13 || std::stol(field[2]) != group) return {};
  Cost cost;
  cost.cpu_s = (std::stod(field[11]) + std::stod(field[12])) / static_cast<double>(::sysconf(_SC_CLK_TCK));
  std::ifstream status("/proc/" + pid + "/status");
  for (std::string line; std::getline(status, line);)
    if (line.starts_with("VmRSS:")) cost.rss_mb = std::stod(line.substr(6)) / 1024.0;
  std::ifstream io("/proc/" + pid + "/io");
  for (std::string line; std::getline(io, line);) {
    if (line.starts_with("write_bytes:")) cost.written_mb = std::stod(line.substr(12)) / 1e6;
    if (line.starts_with("wchar:")) cost.handed_mb = std::stod(line.substr(6)) / 1e6;
  }
  return cost;
}

Cost cost_of_group(pid_t group) {
  Cost sum;
  for (const auto& entry : std::filesystem::directory_iterator("/proc")) {
    const std::string name = entry.path().filename();
    if (name.find_first_not_of("0123456789") != std::string::npos) continue;
    const Cost cost = cost_of_process(name, group);
    sum.cpu_s += cost.cpu_s;
    sum.rss_mb += cost.rss_mb;
    sum.written_mb += cost.written_mb;
    sum.handed_mb += cost.handed_mb;
  }
  return sum;
}

void wait_until(timespec& due, double seconds) {
  const auto whole = static_cast<time_t>(seconds);
  due.tv_sec += whole;
  due.tv_nsec += static_cast<long>((seconds - static_cast<double>(whole)) * 1e9);
  if (due.tv_nsec >= 1'000'000'000) due.tv_nsec -= 1'000'000'000, ++due.tv_sec;
  while (::clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &due, nullptr) == EINTR) continue;
}

/// Writes a line to every pty at the rate, until told to stop; watts wander in the last digit.
void feed(const std::vector<Pty>& ptys, double per_second, const std::atomic<bool>& stop, std::atomic<long>& lines) {
  timespec due{};
  ::clock_gettime(CLOCK_MONOTONIC, &due);
  std::uint32_t noise = 1;
  while (!stop) {
    noise = noise * 1664525U + 1013904223U;
    const std::string line = "25." + std::to_string(10 + (noise >> 29U)) + ",230.1\n";
    for (const Pty& pty : ptys)
      if (::write(pty.meter, line.data(), line.size()) > 0) ++lines;
    wait_until(due, 1.0 / per_second);
  }
}

std::string service_config(const std::filesystem::path& folder, const std::vector<Pty>& ptys) {
  std::ofstream(folder / "lines.toml")
      << "protocol = \"text-line\"\nline = { baud = 115200 }\n[text-line]\nform = \"csv\"\n"
         "[[read]]\nquantity = \"power\"\nfield = 1\nresolution = 0.01\n"
         "[[read]]\nquantity = \"voltage\"\nfield = 2\n";
  std::ofstream config(folder / "nightwatt.toml");
  config << "[store]\npath = \"night.db\"\n[control]\nsocket = \"control.sock\"\n";
  for (std::size_t i = 0; i < ptys.size(); ++i)
    config << "[[meter]]\nname = \"meter" << i << "\"\nport = \"" << ptys[i].path << "\"\nprofile = \"lines.toml\"\n";
  return folder / "nightwatt.toml";
}

std::string peer_command(const std::filesystem::path& folder, const std::vector<Pty>& ptys) {
  std::string command;
  for (std::size_t i = 0; i < ptys.size(); ++i) {
    const std::string db = folder / ("peer" + std::to_string(i) + ".db");
    command += "(echo 'pragma journal_mode=wal; pragma synchronous=normal; create table r(t, w, v);'; cat " +
               ptys[i].path + " | sed -u 's/^/insert into r values(julianday(), /; s/$/);/') | sqlite3 " + db + " & ";
  }
  return command + "wait";
}

void print(const char* name, const Cost& before, const Cost& after, double seconds) {
  const double days = seconds / 86400.0;
  std::printf(
      "  %-34s %7.3f %% of a core  %6.1f MB resident  a day: %7.1f MB to disk in whole pages, %7.1f MB by write()\n",
      name, 100.0 * (after.cpu_s - before.cpu_s) / seconds, after.rss_mb, (after.written_mb - before.written_mb) / days,
      (after.handed_mb - before.handed_mb) / days);
}

void end(pid_t group) {
  ::kill(-group, SIGTERM);
  ::waitpid(group, nullptr, 0);
}

void scenario(std::size_t meters, double per_second, double seconds) {
  std::string name = (std::filesystem::temp_directory_path() / "nightwatt-bench-XXXXXX").string();
  if (::mkdtemp(name.data()) == nullptr) std::abort();
  const std::filesystem::path folder = name;
  std::vector<Pty> ours, theirs, all;
  for (std::size_t i = 0; i < meters; ++i) ours.push_back(make_pty()), theirs.push_back(make_pty());
  all.insert(all.end(), ours.begin(), ours.end());
  all.insert(all.end(), theirs.begin(), theirs.end());
  const pid_t service =
      start("exec " NIGHTWATT_BIN_DIR "/nightwattd --config " + service_config(folder, ours), folder / "log");
  const pid_t peer = start(peer_command(folder, theirs), folder / "peer.log");
  std::atomic<bool> stop = false;
  std::atomic<long> lines = 0;
  std::thread feeder([&] { feed(all, per_second, stop, lines); });
  timespec due{};
  ::clock_gettime(CLOCK_MONOTONIC, &due);
  wait_until(due, warm_up_s);
  const Cost service_before = cost_of_group(service);
  const Cost peer_before = cost_of_group(peer);
  const long lines_before = lines;
  wait_until(due, seconds);
  const Cost service_after = cost_of_group(service);
  const Cost peer_after = cost_of_group(peer);
  std::printf("%zu meter(s), %g reading(s)/s each, %.0f s, %ld lines to each side, %s\n", meters, per_second, seconds,
              (lines - lines_before) / 2, folder.c_str());
  print("nightwattd", service_before, service_after, seconds);
  print("peer: cat | sed | sqlite3 a meter", peer_before, peer_after, seconds);
  std::fflush(stdout);
  stop = true;
  feeder.join();
  end(service);
  end(peer);
  for (const Pty& pty : all) ::close(pty.meter), ::close(pty.keep_open);
  std::error_code ignored;
  std::filesystem::remove_all(folder, ignored);
}

}  // namespace

int main(int argc, char** argv) {
  const double seconds = argc > 1 ? std::atof(argv[1]) : 60.0;
  if (!(seconds >= 1.0)) {
    std::cerr << "usage: bench_service [SECONDS]\n";
    return 2;
  }
  std::cout << "nightwattd on pseudo-terminals, text lines with power and voltage; flush_s 1.0; /proc's figures.\n"
               "The peer commits each reading, WAL, synchronous NORMAL; its memory is the sum of its processes.\n";
  scenario(8, 10.0, seconds);
  scenario(1, 1.0, seconds);
  return 0;
}
