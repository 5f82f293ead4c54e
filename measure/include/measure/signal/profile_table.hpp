// How a protocol reads its part of a profile file without knowing the file's language.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/decimal.hpp"
#include "measure/signal/meter_profile.hpp"

namespace nightwatt {

/// What a number may be, for the check and for its message.
struct Range {
  double least = 0.0;
  double most = 0.0;
  bool above_least = false;  ///< `least` itself is refused
};

struct IntegerRange {
  std::int64_t least = 0;
  std::int64_t most = 0;
};

/// One table of a settings file. Every getter gives nullopt both for a missing key and for a wrong value; the wrong
/// value has then been reported, with its line. A key is known by being asked for.
class ProfileTable {
 public:
  virtual ~ProfileTable() = default;
  [[nodiscard]] virtual bool has(std::string_view key) const = 0;
  /// Not empty, without control characters, at most `limit` bytes.
  virtual std::optional<std::string> text(std::string_view key, std::size_t limit) = 0;
  /// A list of texts as text() takes them, at least one and at most `most`; empty where missing or wrong.
  virtual std::vector<std::string> texts(std::string_view key, std::size_t limit, std::size_t most) = 0;
  virtual std::optional<bool> flag(std::string_view key) = 0;
  virtual std::optional<std::int64_t> integer(std::string_view key, IntegerRange range) = 0;
  virtual std::optional<double> number(std::string_view key, Range range) = 0;
  /// A number digit for digit as it was written.
  virtual std::optional<Decimal> decimal(std::string_view key) = 0;
  /// One of `words`, as its place in the list.
  virtual std::optional<std::size_t> word(std::string_view key, const std::vector<std::string_view>& words) = 0;
  /// Reports a missing key.
  virtual void need(std::string_view key, std::string_view remedy) = 0;
  /// Reports a problem on a key's line.
  virtual void problem(std::string_view key, std::string_view what, std::string_view remedy) = 0;

 protected:
  ProfileTable() = default;
  ProfileTable(const ProfileTable&) = default;
  ProfileTable& operator=(const ProfileTable&) = default;
};

/// What a protocol knows of profile files: its own table, and its keys in a [[read]]. No state.
class ProtocolReader {
 public:
  virtual ~ProtocolReader() = default;
  /// The word of `protocol = "..."`, which is also the name of its table.
  [[nodiscard]] virtual std::string_view name() const = 0;
  /// The settings, and below them the line, where the profile gives none.
  [[nodiscard]] virtual ProtocolSettings defaults() const = 0;
  [[nodiscard]] virtual LineSettings default_line() const { return {}; }
  /// The same, where it depends on the protocol's own settings.
  [[nodiscard]] virtual LineSettings default_line_of(const ProtocolSettings&) const { return default_line(); }
  /// What to do about a missing table; empty: it may be missing.
  [[nodiscard]] virtual std::string_view table_remedy() const { return {}; }
  /// Reads its table.
  [[nodiscard]] virtual ProtocolSettings read_table(ProfileTable& table) const = 0;
  /// Reports what the table `line` asks for and the protocol cannot do.
  virtual void check_line(const LineSettings&, ProfileTable&) const {}
  /// The keys of a [[read]] that are its own; read_place() puts them into `read`.
  [[nodiscard]] virtual std::span<const std::string_view> read_keys() const = 0;
  virtual void read_place(ProfileTable& table, const ProtocolSettings& settings, ReadSpec& read) const = 0;
  /// What is read where the profile has no [[read]]; empty: it must have one.
  [[nodiscard]] virtual std::vector<ReadSpec> usual_reads() const { return {}; }

  /// The lines of its table, and of its keys in a [[read]], that read_table() and read_place() take back.
  [[nodiscard]] virtual std::string table_text(const ProtocolSettings& settings) const = 0;
  [[nodiscard]] virtual std::string place_text(const ReadSpec& read, const ProtocolSettings& settings) const = 0;

 protected:
  ProtocolReader() = default;
  ProtocolReader(const ProtocolReader&) = default;
  ProtocolReader& operator=(const ProtocolReader&) = default;
};
using ProtocolReaders = std::span<const ProtocolReader* const>;

}  // namespace nightwatt
