#include "seal.hpp"

#include <cstring>
#include <new>

#include "bytes.hpp"

namespace nightwatt::storage {
namespace {

enum Type : char { integer = 1, real = 2, text = 3, blob = 4 };

std::string_view text_of(sqlite3_value* value) {
  const auto* bytes = reinterpret_cast<const char*>(sqlite3_value_text(value));
  return bytes == nullptr ? std::string_view()
                          : std::string_view(bytes, static_cast<std::size_t>(sqlite3_value_bytes(value)));
}

std::string_view blob_of(sqlite3_value* value) {
  const auto* bytes = static_cast<const char*>(sqlite3_value_blob(value));
  return bytes == nullptr ? std::string_view()
                          : std::string_view(bytes, static_cast<std::size_t>(sqlite3_value_bytes(value)));
}

void row_seal(sqlite3_context* context, int count, sqlite3_value** values) {
  try {
    SealBytes bytes(text_of(values[0]));
    for (int i = 1; i < count; ++i) {
      switch (sqlite3_value_type(values[i])) {
        case SQLITE_INTEGER:
          bytes.put_integer(sqlite3_value_int64(values[i]));
          break;
        case SQLITE_FLOAT:
          bytes.put_real(sqlite3_value_double(values[i]));
          break;
        case SQLITE_TEXT:
          bytes.put_text(text_of(values[i]));
          break;
        case SQLITE_BLOB:
          bytes.put_blob(blob_of(values[i]));
          break;
        default:
          bytes.put_null();
      }
    }
    sqlite3_result_int64(context, bytes.seal());
  } catch (const std::bad_alloc&) {
    sqlite3_result_error_nomem(context);
  }
}

}  // namespace

void SealBytes::put_bits(char type, std::uint64_t bits) {
  bytes_.push_back(type);
  for (unsigned i = 0; i < 8; ++i) bytes_.push_back(static_cast<char>(bits >> (8 * i) & 0xFFU));
}

void SealBytes::put_sized(char type, std::string_view value) {
  put_bits(type, value.size());
  bytes_.append(value);
}

void SealBytes::put_integer(std::int64_t value) {
  put_bits(integer, static_cast<std::uint64_t>(value));
}

void SealBytes::put_real(double value) {
  std::uint64_t bits = 0;
  std::memcpy(&bits, &value, sizeof bits);
  put_bits(real, bits);
}

void SealBytes::put_text(std::string_view value) {
  put_sized(text, value);
}

void SealBytes::put_blob(std::string_view value) {
  put_sized(blob, value);
}

std::int64_t SealBytes::seal() const {
  return std::int64_t{crc32(bytes_)};
}

int add_row_seal(sqlite3* connection) {
  return sqlite3_create_function_v2(connection, "row_seal", -1, SQLITE_UTF8 | SQLITE_DETERMINISTIC, nullptr, row_seal,
                                    nullptr, nullptr, nullptr);
}

}  // namespace nightwatt::storage
