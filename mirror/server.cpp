#include "server.hpp"

#include <poll.h>
#include <sys/socket.h>

#include <array>
#include <utility>

#include "libpq.hpp"

namespace nightwatt::mirror {
namespace {

// A server that is not there is noticed in a minute, whatever the network does with the packets (common practice, no
// source).
constexpr std::array<std::pair<const char*, const char*>, 7> own_words = {{{"connect_timeout", "10"},
                                                                           {"keepalives", "1"},
                                                                           {"keepalives_idle", "20"},
                                                                           {"keepalives_interval", "10"},
                                                                           {"keepalives_count", "3"},
                                                                           {"tcp_user_timeout", "60000"},
                                                                           {"application_name", "nightwatt"}}};
// How values are written as text, whatever a database or a role has it set to: all digits, times that can be read back.
constexpr const char* text_forms =
    "SET bytea_output = 'hex'; SET extra_float_digits = 3; SET datestyle = 'ISO'; SET timezone = 'UTC'";
constexpr int connect_limit_ms = 10'000;
constexpr int look_up_ms = 200;  // how often a connecting caller looks whether it is to stop

std::string one_line(const char* text) {
  std::string line(text == nullptr ? "" : text);
  while (!line.empty() && (line.back() == '\n' || line.back() == ' ')) line.pop_back();
  for (char& c : line)
    if (c == '\n' || c == '\t') c = ' ';
  return line;
}

tl::unexpected<Error> server_says(const std::string& what) {
  return fail(ErrorKind::unusable,
              "the mirror's server: " + (what.empty() ? std::string("the connection broke") : what));
}

void hear_nothing(void*, const char*) {}

/// Looked at first, as libpq's words about what it cannot read quote a piece of it, which may be one of the password.
bool readable(const Libpq& pq, const std::string& conninfo) {
  if (conninfo.find_first_of("=:") == std::string::npos) return true;  // a database's name alone
  char* problem = nullptr;
  PQconninfoOption* options = pq.parse_conninfo(conninfo.c_str(), &problem);
  const bool read = options != nullptr;
  pq.free_conninfo(options);
  pq.free_memory(problem);
  return read;
}

char hex_digit(unsigned value) {
  return static_cast<char>(value < 10 ? '0' + value : 'a' + (value - 10));
}

void append_hex(std::string& out, std::string_view bytes) {
  for (const char c : bytes) {
    const auto byte = static_cast<unsigned char>(c);
    out.push_back(hex_digit(byte >> 4U));
    out.push_back(hex_digit(byte & 15U));
  }
}

int value_of(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  return -1;
}

}  // namespace

void Cancellation::end() {
  over = true;
  const int waiting = socket;
  if (waiting >= 0) ::shutdown(waiting, SHUT_RDWR);
}

class Server::Impl {
 public:
  Impl(const Libpq& calls, PGconn* connection, Cancellation& cancellation)
      : pq(calls), connection_(connection), cancellation_(cancellation) {}
  ~Impl() {
    cancellation_.socket = -1;
    pq.finish(connection_);
  }
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  Result<void> connect() {
    int waited_ms = 0;
    for (PostgresPollingStatusType wants = PGRES_POLLING_WRITING; wants != PGRES_POLLING_OK;
         wants = pq.connect_poll(connection_)) {
      if (wants == PGRES_POLLING_FAILED) return server_says(one_line(pq.error_message(connection_)));
      pollfd waiting{pq.socket(connection_), static_cast<short>(wants == PGRES_POLLING_READING ? POLLIN : POLLOUT), 0};
      while (::poll(&waiting, 1, look_up_ms) == 0) {
        waited_ms += look_up_ms;
        if (cancellation_.over || waited_ms >= connect_limit_ms) return server_says("it does not answer");
      }
      if (cancellation_.over) return server_says("it does not answer");
    }
    cancellation_.socket = pq.socket(connection_);
    pq.set_notice_processor(connection_, hear_nothing, nullptr);
    pq.set_client_encoding(connection_, "UTF8");
    return {};
  }

  Result<PGresult*> done(PGresult* result, ExecStatusType wanted) {
    if (result != nullptr && pq.result_status(result) == wanted) return result;
    auto problem =
        server_says(one_line(result != nullptr ? pq.result_error_message(result) : pq.error_message(connection_)));
    pq.clear(result);
    return problem;
  }

  Result<PGresult*> exec(const std::string& sql, const Texts& values, ExecStatusType wanted) {
    std::vector<const char*> texts;
    for (const Value& value : values) texts.push_back(value ? value->c_str() : nullptr);
    return done(pq.exec_params(connection_, sql.c_str(), static_cast<int>(values.size()), nullptr, texts.data(),
                               nullptr, nullptr, 0),
                wanted);
  }

  const Libpq& pq;
  PGconn* connection() { return connection_; }

 private:
  PGconn* connection_;
  Cancellation& cancellation_;
};

Server::Server(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
Server::Server(Server&&) noexcept = default;
Server::~Server() = default;

Result<Server> Server::connect(const std::string& conninfo, Cancellation& cancellation) {
  const auto calls = libpq();
  if (!calls) return tl::unexpected(calls.error());
  if (!readable(**calls, conninfo))
    return fail(ErrorKind::unusable,
                "the mirror's database is named by words that libpq does not know: they are like host=... dbname=... "
                "user=..., and a value with spaces stands in quotes");
  // The later word wins in libpq: what the caller says, of either form, comes last.
  std::vector<const char*> keys, values;
  for (const auto& [key, value] : own_words) {
    keys.push_back(key);
    values.push_back(value);
  }
  keys.insert(keys.end(), {"dbname", nullptr});
  values.insert(values.end(), {conninfo.c_str(), nullptr});
  constexpr int take_words_of_dbname = 1;
  PGconn* connection = (*calls)->connect_start(keys.data(), values.data(), take_words_of_dbname);
  if (connection == nullptr) return server_says("not enough memory");
  auto impl = std::make_unique<Impl>(**calls, connection, cancellation);
  if ((*calls)->status(connection) == CONNECTION_BAD) return server_says(one_line((*calls)->error_message(connection)));
  if (auto connected = impl->connect(); !connected) return tl::unexpected(connected.error());
  Server server(std::move(impl));
  if (auto set = server.run(text_forms); !set) return tl::unexpected(set.error());
  return server;
}

Result<std::vector<Texts>> Server::ask(const std::string& sql, const Texts& values) {
  auto result = impl_->exec(sql, values, PGRES_TUPLES_OK);
  if (!result) return tl::unexpected(result.error());
  std::vector<Texts> rows;
  const Libpq& pq = impl_->pq;
  for (int row = 0; row < pq.rows(*result); ++row) {
    Texts& cells = rows.emplace_back();
    for (int column = 0; column < pq.columns(*result); ++column) {
      if (pq.is_null(*result, row, column) != 0)
        cells.emplace_back();
      else
        cells.emplace_back(std::in_place, pq.value(*result, row, column),
                           static_cast<std::size_t>(pq.length(*result, row, column)));
    }
  }
  pq.clear(*result);
  return rows;
}

Result<void> Server::tell(const std::string& sql, const Texts& values) {
  auto result = impl_->exec(sql, values, PGRES_COMMAND_OK);
  if (!result) return tl::unexpected(result.error());
  impl_->pq.clear(*result);
  return {};
}

Result<void> Server::run(const std::string& sql) {
  const Libpq& pq = impl_->pq;
  auto result = impl_->done(pq.exec(impl_->connection(), sql.c_str()), PGRES_COMMAND_OK);
  if (!result) return tl::unexpected(result.error());
  pq.clear(*result);
  return {};
}

Result<void> Server::begin_copy(const std::string& sql) {
  auto result = impl_->exec(sql, {}, PGRES_COPY_IN);
  if (!result) return tl::unexpected(result.error());
  impl_->pq.clear(*result);
  return {};
}

Result<void> Server::copy(std::string_view piece) {
  const Libpq& pq = impl_->pq;
  if (pq.put_copy_data(impl_->connection(), piece.data(), static_cast<int>(piece.size())) != 1)
    return server_says(one_line(pq.error_message(impl_->connection())));
  return {};
}

Result<void> Server::end_copy() {
  const Libpq& pq = impl_->pq;
  if (pq.put_copy_end(impl_->connection(), nullptr) != 1)
    return server_says(one_line(pq.error_message(impl_->connection())));
  auto result = impl_->done(pq.get_result(impl_->connection()), PGRES_COMMAND_OK);
  while (PGresult* more = pq.get_result(impl_->connection())) pq.clear(more);
  if (!result) return tl::unexpected(result.error());
  pq.clear(*result);
  return {};
}

std::string bytea(std::string_view bytes) {
  std::string out = "\\x";
  out.reserve(2 + bytes.size() * 2);
  append_hex(out, bytes);
  return out;
}

std::string bytea_array(const std::vector<std::string>& all) {
  std::string out = "{";
  for (const std::string& bytes : all) {
    out += out.size() == 1 ? "\"\\\\x" : ",\"\\\\x";
    append_hex(out, bytes);
    out += '"';
  }
  return out + "}";
}

Result<std::string> from_bytea(std::string_view text) {
  std::string bytes;
  const bool whole = text.size() >= 2 && text.size() % 2 == 0 && text.substr(0, 2) == "\\x";
  for (std::size_t i = 2; whole && i < text.size(); i += 2) {
    const int high = value_of(text[i]), low = value_of(text[i + 1]);
    if (high < 0 || low < 0) return server_says("bytes that are none");
    bytes.push_back(static_cast<char>(high * 16 + low));
  }
  if (!whole) return server_says("bytes that are none");
  return bytes;
}

}  // namespace nightwatt::mirror
