#include "harness.hpp"

#include <fcntl.h>
#include <sqlite3.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <stdexcept>

namespace nightwatt::process {
namespace {

constexpr double start_limit_s = 10.0;  // a loaded machine, sanitizers on

std::string slurp(const std::string& path) {
  std::ifstream stream(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), std::istreambuf_iterator<char>()};
}

std::map<std::string, std::string> csv_row(const std::vector<std::string>& header, const std::string& line) {
  std::map<std::string, std::string> row;
  std::istringstream stream(line);
  std::string field;
  for (std::size_t i = 0; i < header.size() && std::getline(stream, field, ','); ++i)
    if (!field.empty()) row[header[i]] = field;
  return row;
}

pid_t spawn(const std::string& program, const std::vector<std::string>& arguments, const std::string& out,
            const std::string& err) {
  std::vector<char*> argv;
  argv.push_back(const_cast<char*>(program.c_str()));
  for (const std::string& argument : arguments) argv.push_back(const_cast<char*>(argument.c_str()));
  argv.push_back(nullptr);
  const pid_t pid = ::fork();
  if (pid != 0) return pid;
  const int in_fd = ::open("/dev/null", O_RDONLY);
  const int out_fd = ::open(out.c_str(), O_WRONLY | O_CREAT | O_APPEND, 0600);
  const int err_fd = ::open(err.c_str(), O_WRONLY | O_CREAT | O_APPEND, 0600);
  ::dup2(in_fd, 0);
  ::dup2(out_fd, 1);
  ::dup2(err_fd, 2);
  ::execv(program.c_str(), argv.data());
  ::_exit(127);
}

std::string program_path(const std::string& name) {
  return name.starts_with('/') ? name : std::string(NIGHTWATT_BIN_DIR) + "/" + name;
}

}  // namespace

TempDir::TempDir() {
  std::string pattern = (std::filesystem::temp_directory_path() / "nightwatt-test-XXXXXX").string();
  if (::mkdtemp(pattern.data()) == nullptr) throw std::runtime_error("no temporary folder");
  path_ = pattern;
}

TempDir::~TempDir() {
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
}

void TempDir::write(const std::string& name, const std::string& text) const {
  std::ofstream(path(name), std::ios::binary | std::ios::trunc) << text;
}

std::string TempDir::read(const std::string& name) const {
  return slurp(path(name));
}

double slowness() {
  return NIGHTWATT_SLOWNESS;
}

bool eventually(double limit_s, const std::function<bool()>& condition) {
  const double end_s = unix_now_s() + limit_s * slowness();
  while (true) {
    const double looked_s = unix_now_s();
    if (condition()) return true;
    const double now_s = unix_now_s();
    if (now_s > end_s) return false;
    // A look often starts a program: three times its own time keeps it to a quarter of a core, beside the other tests.
    const double pause_s = std::clamp(3.0 * (now_s - looked_s), 0.01, 0.1);
    const timespec pause{0, static_cast<long>(pause_s * 1e9)};
    ::nanosleep(&pause, nullptr);
  }
}

double unix_now_s() {
  timespec now{};
  ::clock_gettime(CLOCK_REALTIME, &now);
  return static_cast<double>(now.tv_sec) + static_cast<double>(now.tv_nsec) * 1e-9;
}

Program::Program(const TempDir& dir, const std::string& name, const std::vector<std::string>& arguments)
    : pid_(spawn(program_path(name), arguments, dir.path(name.substr(name.rfind('/') + 1) + ".out"),
                 dir.path(name.substr(name.rfind('/') + 1) + ".err"))) {
  if (pid_ < 0) throw std::runtime_error("fork failed");
}

Program::~Program() {
  if (status_) return;
  ::kill(pid_, SIGKILL);
  ::waitpid(pid_, nullptr, 0);
}

void Program::signal(int number) const {
  ::kill(pid_, number);
}

std::optional<int> Program::wait(double limit_s) {
  (void)eventually(limit_s, [this] {
    int raw = 0;
    if (!status_ && ::waitpid(pid_, &raw, WNOHANG) == pid_)
      status_ = WIFEXITED(raw) ? WEXITSTATUS(raw) : 128 + WTERMSIG(raw);
    return status_.has_value();
  });
  return status_;
}

nlohmann::json Answer::json() const {
  return nlohmann::json::parse(out, nullptr, false);
}

Answer run(const TempDir& dir, const std::string& name, const std::vector<std::string>& arguments, double limit_s) {
  static int calls = 0;  // keeps the output files of two calls apart
  const std::string mark = dir.path("run" + std::to_string(++calls));
  const pid_t pid = spawn(program_path(name), arguments, mark + ".out", mark + ".err");
  int raw = 0;
  if (!eventually(limit_s, [&] { return ::waitpid(pid, &raw, WNOHANG) == pid; })) {
    ::kill(pid, SIGKILL);
    ::waitpid(pid, &raw, 0);
  }
  Answer answer{WIFEXITED(raw) ? WEXITSTATUS(raw) : 128 + WTERMSIG(raw), slurp(mark + ".out"), slurp(mark + ".err")};
  ::unlink((mark + ".out").c_str());
  ::unlink((mark + ".err").c_str());
  return answer;
}

Bench::Bench(const std::string& profile, const std::string& meter_settings, double flush_s) {
  dir_.write("meter.toml", profile);
  std::ostringstream config;
  config << "[store]\npath = \"night.db\"\nflush_s = " << std::to_string(flush_s) << "\n"
         << "[control]\nsocket = \"control.sock\"\n"
         << "[[meter]]\nname = \"bench\"\nport = \"port\"\nprofile = \"meter.toml\"\n"
         << meter_settings << "\n";
  dir_.write("nightwatt.toml", config.str());
  std::filesystem::permissions(dir_.path("nightwatt.toml"),
                               static_cast<std::filesystem::perms>(0640));  // a test may put a token in
}

void Bench::start_meter(const std::string& script, double speed, const std::vector<std::string>& more) {
  dir_.write("script.sim", script);
  std::vector<std::string> arguments = {"--profile", dir_.path("meter.toml"), "--script", dir_.path("script.sim"),
                                        "--link",    dir_.path("port"),       "--log",    dir_.path("sent.log"),
                                        "--speed",   std::to_string(speed)};
  arguments.insert(arguments.end(), more.begin(), more.end());
  meter_ = std::make_unique<Program>(dir_, "nightwatt-sim", arguments);
  const bool there = eventually(start_limit_s, [this] { return std::filesystem::exists(dir_.path("port")); });
  INFO("nightwatt-sim: " << dir_.read("nightwatt-sim.err"));
  REQUIRE(there);
}

void Bench::start_service() {
  service_ =
      std::make_unique<Program>(dir_, "nightwattd", std::vector<std::string>{"--config", config(), "--foreground"});
  const bool answers = eventually(start_limit_s, [this] { return readings() >= 0; });
  INFO("nightwattd: " << dir_.read("nightwattd.out") << dir_.read("nightwattd.err"));
  REQUIRE(answers);
}

void Bench::kill_service() {
  service_->signal(SIGKILL);
  REQUIRE(service_->wait(5.0) == 128 + SIGKILL);
}

std::optional<int> Bench::stop_service() {
  service_->signal(SIGTERM);
  return service_->wait(2.0);
}

Answer Bench::ask(const std::vector<std::string>& arguments) const {
  std::vector<std::string> all = {"--config", config()};
  all.insert(all.end(), arguments.begin(), arguments.end());
  return run(dir_, "nightwatt", all);
}

nlohmann::json Bench::ask_json(std::vector<std::string> arguments) const {
  arguments.insert(arguments.begin(), "--json");
  const Answer answer = ask(arguments);
  INFO(answer.err << answer.out);
  REQUIRE(answer.status == 0);
  const nlohmann::json json = answer.json();
  REQUIRE_FALSE(json.is_discarded());
  return json;
}

long Bench::readings() const {
  const nlohmann::json status = ask({"--json", "status"}).json();
  if (!status.is_object() || status.value("service", "") != "running" || status["meters"].empty()) return -1;
  return status["meters"][0].value("readings", -1L);
}

std::string Bench::meter_state() const {
  const nlohmann::json status = ask({"--json", "status"}).json();
  if (!status.is_object() || !status.contains("meters") || status["meters"].empty()) return "";
  return status["meters"][0].value("state", "");
}

std::vector<SentFrame> Bench::sent() const {
  std::vector<SentFrame> frames;
  std::istringstream log(dir_.read("sent.log"));
  std::string line;
  while (std::getline(log, line)) {
    if (line.empty() || line[0] == '#' || log.eof()) continue;  // a last line without its end is still being written
    std::istringstream words(line);
    long number = 0;
    SentFrame frame;
    words >> number >> frame.simulated_s >> frame.unix_s >> frame.fate;
    std::string word;
    while (words >> word) frame.values[word.substr(0, word.find('='))] = word.substr(word.find('=') + 1);
    frames.push_back(std::move(frame));
  }
  return frames;
}

double Bench::simulated_s() const {
  const std::vector<SentFrame> frames = sent();
  return frames.empty() ? 0.0 : frames.back().simulated_s;
}

std::vector<StoredReading> Bench::stored() const {
  const Answer answer = ask({"export", "--meter", "bench", "--from", "0", "--to", "4000000000", "--format", "csv"});
  INFO(answer.err);
  REQUIRE(answer.status == 0);
  std::istringstream stream(answer.out);
  std::string line;
  std::vector<std::string> header;
  std::vector<StoredReading> readings;
  while (std::getline(stream, line)) {
    if (line.empty() || line[0] == '#') continue;
    if (header.empty()) {
      std::istringstream names(line);
      for (std::string name; std::getline(names, name, ',');) header.push_back(name);
      continue;
    }
    StoredReading reading;
    reading.values = csv_row(header, line);
    reading.unix_s = std::stod(reading.values.at("time"));
    reading.values.erase("time");
    readings.push_back(std::move(reading));
  }
  return readings;
}

std::string Bench::integrity() const {
  sqlite3* database = nullptr;
  std::string verdict = "cannot be opened";
  if (sqlite3_open_v2(store().c_str(), &database, SQLITE_OPEN_READONLY, nullptr) == SQLITE_OK) {
    sqlite3_busy_timeout(database, 5000);
    sqlite3_stmt* statement = nullptr;
    if (sqlite3_prepare_v2(database, "PRAGMA integrity_check", -1, &statement, nullptr) == SQLITE_OK &&
        sqlite3_step(statement) == SQLITE_ROW)
      verdict = reinterpret_cast<const char*>(sqlite3_column_text(statement, 0));
    else
      verdict = sqlite3_errmsg(database);
    sqlite3_finalize(statement);
  }
  sqlite3_close(database);
  return verdict;
}

std::string line_profile(double interval_s) {
  return "protocol = \"text-line\"\nline = { baud = 115200 }\ninterval_s = " + std::to_string(interval_s) + R"(
[text-line]
form = "csv"
checksum = "xor"
[[read]]
quantity = "power"
field = 2
resolution = 0.1
[[read]]
quantity = "voltage"
field = 3
resolution = 0.1
[[read]]
quantity = "energy"
field = 4
scale = 0.0001
resolution = 0.0001
)";
}

std::string modbus_profile(double interval_s) {
  return "protocol = \"modbus-rtu\"\nline = { baud = 19200, parity = \"even\" }\ninterval_s = " +
         std::to_string(interval_s) + R"(
[modbus-rtu]
unit = 3
timeout_s = 0.15
retries = 1
[[read]]
quantity = "power"
function = 4
register = 12
type = "float32"
order = "cdab"
resolution = 0.1
[[read]]
quantity = "voltage"
function = 4
register = 14
type = "u16"
scale = 0.1
resolution = 0.1
[[read]]
quantity = "energy"
function = 4
register = 15
type = "u64"
scale = 0.0001
resolution = 0.0001
)";
}

}  // namespace nightwatt::process
