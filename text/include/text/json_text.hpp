// Writes JSON piece by piece, so that an answer of a million readings is never held in memory.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "measure/signal/decimal.hpp"
#include "measure/signal/time.hpp"
#include "text/sink.hpp"

namespace nightwatt::text {

/// The shortest text that reads back as exactly this double, which must be finite.
[[nodiscard]] std::string exact_text(double number);

/// Commas and quotes are its business, nesting is the caller's. Numbers read back as exactly the same double; absent
/// and not finite is null. Text that is not UTF-8 gets U+FFFD for what cannot be read.
class JsonWriter {
 public:
  explicit JsonWriter(Sink& out) : out_(out) {}

  JsonWriter& begin_object();
  /// An object that is a document of its own: it begins with the number of the form that all documents have. A key once
  /// published keeps its meaning within a form; see nightwatt-json(5).
  JsonWriter& begin_document();
  JsonWriter& end_object();
  JsonWriter& begin_array();
  JsonWriter& end_array();
  JsonWriter& key(std::string_view name);
  JsonWriter& value(std::string_view text);
  JsonWriter& value(const char* text) { return value(std::string_view(text)); }
  JsonWriter& value(double number);
  JsonWriter& value(std::int64_t number);
  JsonWriter& value(int number) { return value(std::int64_t{number}); }
  JsonWriter& value(bool truth);
  JsonWriter& value(const Decimal& number);  ///< with the meter's own digits
  JsonWriter& value(UtcTime time);           ///< ISO 8601, UTC
  JsonWriter& null();
  template <class T>
  JsonWriter& value(const std::optional<T>& maybe) {
    return maybe ? value(*maybe) : null();
  }
  template <class T>
  JsonWriter& field(std::string_view name, const T& of) {
    return key(name).value(of);
  }
  /// A line break between values, for people who look at it; allowed anywhere white space is.
  JsonWriter& line_break();

 private:
  void separate();
  void raw(std::string_view text);

  Sink& out_;
  bool need_comma_ = false;
  bool break_line_ = false;
};

/// What `write` writes to the JsonWriter that it is given, as a text.
template <class Write>
[[nodiscard]] std::string json_string(Write&& write) {
  std::string text;
  {
    Sink sink(text);
    JsonWriter json(sink);
    write(json);
  }
  return text;
}

}  // namespace nightwatt::text
