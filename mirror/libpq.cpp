#include "libpq.hpp"

#include <dlfcn.h>

#include <mutex>
#include <string>

namespace nightwatt::mirror {
namespace {

constexpr const char* library = "libpq.so.5";  // the name of its interface, the same since PostgreSQL 8

template <class Call>
bool find(void* handle, const char* name, Call& call) {
  call = reinterpret_cast<Call>(::dlsym(handle, name));
  return call != nullptr;
}

bool find_all(void* handle, Libpq& calls) {
  return find(handle, "PQconnectStart", calls.connect_start) && find(handle, "PQconnectPoll", calls.connect_poll) &&
         find(handle, "PQsocket", calls.socket) && find(handle, "PQstatus", calls.status) &&
         find(handle, "PQerrorMessage", calls.error_message) && find(handle, "PQfinish", calls.finish) &&
         find(handle, "PQexecParams", calls.exec_params) && find(handle, "PQresultStatus", calls.result_status) &&
         find(handle, "PQresultErrorMessage", calls.result_error_message) && find(handle, "PQntuples", calls.rows) &&
         find(handle, "PQnfields", calls.columns) && find(handle, "PQgetisnull", calls.is_null) &&
         find(handle, "PQgetvalue", calls.value) && find(handle, "PQgetlength", calls.length) &&
         find(handle, "PQclear", calls.clear) && find(handle, "PQputCopyData", calls.put_copy_data) &&
         find(handle, "PQputCopyEnd", calls.put_copy_end) && find(handle, "PQgetResult", calls.get_result) &&
         find(handle, "PQexec", calls.exec) && find(handle, "PQsetNoticeProcessor", calls.set_notice_processor) &&
         find(handle, "PQsetClientEncoding", calls.set_client_encoding);
}

}  // namespace

Result<const Libpq*> libpq() {
  static std::mutex mutex;
  static Libpq calls;
  static bool found = false;
  const std::lock_guard lock(mutex);
  if (found) return &calls;
  void* handle = ::dlopen(library, RTLD_NOW | RTLD_LOCAL);
  if (handle == nullptr || !find_all(handle, calls))
    return fail(ErrorKind::unusable, std::string("the mirror needs ") + library + ": install Debian's package libpq5");
  found = true;
  return &calls;
}

}  // namespace nightwatt::mirror
