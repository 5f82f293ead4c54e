// PostgreSQL's client library, found when it is first wanted: who mirrors nothing neither loads it nor needs it
// installed.
#pragma once

#include <libpq-fe.h>

#include "measure/signal/result.hpp"

namespace nightwatt::mirror {

/// The calls that are used, by their own names.
struct Libpq {
  decltype(&PQconninfoParse) parse_conninfo = nullptr;
  decltype(&PQconninfoFree) free_conninfo = nullptr;
  decltype(&PQfreemem) free_memory = nullptr;
  decltype(&PQconnectStartParams) connect_start = nullptr;
  decltype(&PQconnectPoll) connect_poll = nullptr;
  decltype(&PQsocket) socket = nullptr;
  decltype(&PQstatus) status = nullptr;
  decltype(&PQerrorMessage) error_message = nullptr;
  decltype(&PQfinish) finish = nullptr;
  decltype(&PQexecParams) exec_params = nullptr;
  decltype(&PQresultStatus) result_status = nullptr;
  decltype(&PQresultErrorMessage) result_error_message = nullptr;
  decltype(&PQntuples) rows = nullptr;
  decltype(&PQnfields) columns = nullptr;
  decltype(&PQgetisnull) is_null = nullptr;
  decltype(&PQgetvalue) value = nullptr;
  decltype(&PQgetlength) length = nullptr;
  decltype(&PQclear) clear = nullptr;
  decltype(&PQputCopyData) put_copy_data = nullptr;
  decltype(&PQputCopyEnd) put_copy_end = nullptr;
  decltype(&PQgetResult) get_result = nullptr;
  decltype(&PQexec) exec = nullptr;
  decltype(&PQsetNoticeProcessor) set_notice_processor = nullptr;
  decltype(&PQsetClientEncoding) set_client_encoding = nullptr;
};

/// ErrorKind::unusable where Debian's libpq5 is not installed. Never unloaded.
[[nodiscard]] Result<const Libpq*> libpq();

}  // namespace nightwatt::mirror
