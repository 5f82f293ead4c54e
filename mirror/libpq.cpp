#include "libpq.hpp"

#include "system/loaded_library.hpp"

namespace nightwatt::mirror {
namespace {

void find(LibraryCalls& library, Libpq& calls) {
  library.find("PQconninfoParse", calls.parse_conninfo)
      .find("PQconninfoFree", calls.free_conninfo)
      .find("PQfreemem", calls.free_memory)
      .find("PQconnectStartParams", calls.connect_start)
      .find("PQconnectPoll", calls.connect_poll)
      .find("PQsocket", calls.socket)
      .find("PQstatus", calls.status)
      .find("PQerrorMessage", calls.error_message)
      .find("PQfinish", calls.finish)
      .find("PQexecParams", calls.exec_params)
      .find("PQresultStatus", calls.result_status)
      .find("PQresultErrorMessage", calls.result_error_message)
      .find("PQntuples", calls.rows)
      .find("PQnfields", calls.columns)
      .find("PQgetisnull", calls.is_null)
      .find("PQgetvalue", calls.value)
      .find("PQgetlength", calls.length)
      .find("PQclear", calls.clear)
      .find("PQputCopyData", calls.put_copy_data)
      .find("PQputCopyEnd", calls.put_copy_end)
      .find("PQgetResult", calls.get_result)
      .find("PQexec", calls.exec)
      .find("PQsetNoticeProcessor", calls.set_notice_processor)
      .find("PQsetClientEncoding", calls.set_client_encoding);
}

}  // namespace

Result<const Libpq*> libpq() {
  // The file's name is that of its interface, the same since PostgreSQL 8.
  static LoadedLibrary<Libpq> library("libpq.so.5", "the mirror needs libpq.so.5: install Debian's package libpq5",
                                      find);
  return library.get();
}

}  // namespace nightwatt::mirror
