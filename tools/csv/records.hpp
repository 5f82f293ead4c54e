// The records of a file and their fields (RFC 4180), read from any place on.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "csv/csv_reader.hpp"

namespace nightwatt::csv {

struct Record {
  std::string_view text;     ///< without the end of its last line; good until the next one is asked for
  std::uint64_t line = 0;    ///< its first, from 1
  std::uint64_t offset = 0;  ///< in the file
  bool quoted = false;       ///< there is a quotation mark in it
};

enum class RecordFault : std::uint8_t { too_long, open_quote };

/// One buffer, one thread. Comments and empty lines are records too.
class Records {
 public:
  Records(ReadAt source, char delimiter);

  /// Sees by the file's begin how lines end; next() does so by itself.
  [[nodiscard]] Result<void> look();
  /// nullopt at the end. Where the record cannot be told, fault() says why and line() where.
  [[nodiscard]] Result<std::optional<Record>> next();
  [[nodiscard]] std::optional<RecordFault> fault() const { return fault_; }
  [[nodiscard]] std::uint64_t line() const { return line_; }               ///< of the record before, its last
  [[nodiscard]] std::uint64_t offset() const { return offset_ + begin_; }  ///< where the next one begins
  [[nodiscard]] char line_end() const { return line_end_; }
  void go_to(std::uint64_t offset, std::uint64_t line);

 private:
  [[nodiscard]] Result<void> refill();
  [[nodiscard]] bool ends_inside_quotes(std::string_view text) const;

  ReadAt source_;
  char delimiter_;
  char line_end_ = '\n';
  bool looked_ = false;
  std::vector<char> buffer_;
  std::uint64_t offset_ = 0;  ///< of the buffer's begin in the file
  std::size_t begin_ = 0;
  std::size_t end_ = 0;
  bool at_end_ = false;
  std::uint64_t line_ = 0;
  std::optional<RecordFault> fault_;
};

/// Divides records into fields, without the blanks around them and without their quotes.
class Fields {
 public:
  explicit Fields(char delimiter) : delimiter_(delimiter) {}
  /// Good until the next call, and as long as the record.
  [[nodiscard]] const std::vector<std::string_view>& of(const Record& record);

 private:
  void divide_quoted(std::string_view text);
  char delimiter_;
  std::vector<std::string_view> fields_;
  std::string unquoted_;
};

[[nodiscard]] std::string_view trimmed(std::string_view cell);
/// A comment, or nothing at all.
[[nodiscard]] bool is_no_row(const Record& record);

}  // namespace nightwatt::csv
