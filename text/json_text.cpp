#include "text/json_text.hpp"

#include <cmath>

#include "measure/signal/digits.hpp"
#include "measure/signal/time_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::text {
namespace {

void append_escaped(std::string& out, std::string_view& rest) {
  const std::string_view before = rest;
  bool valid = true;
  const char32_t c = take_code_point(rest, valid);
  constexpr std::string_view hex = "0123456789abcdef";
  if (!valid) {
    out += "\xEF\xBF\xBD";
  } else if (c == U'"' || c == U'\\') {
    out += '\\';
    out += static_cast<char>(c);
  } else if (c == U'\n') {
    out += "\\n";
  } else if (c <= 0xFFFF && is_control(c)) {  // RFC 8259 section 7 asks it of C0; the rest is kept off terminals
    out += "\\u";
    for (int shift = 12; shift >= 0; shift -= 4) out += hex[(c >> shift) & 0xFU];
  } else {
    out += before.substr(0, before.size() - rest.size());
  }
}

}  // namespace

void JsonWriter::separate() {
  if (need_comma_) out_.write(break_line_ ? "," : ", ");
  if (break_line_) out_.write("\n");
  break_line_ = false;
  need_comma_ = false;
}

void JsonWriter::raw(std::string_view text) {
  separate();
  out_.write(text);
  need_comma_ = true;
}

JsonWriter& JsonWriter::begin_object() {
  raw("{");
  need_comma_ = false;
  return *this;
}

JsonWriter& JsonWriter::begin_document() {
  constexpr int form = 1;
  return begin_object().field("format", form);
}

JsonWriter& JsonWriter::end_object() {
  need_comma_ = false;
  raw("}");
  return *this;
}

JsonWriter& JsonWriter::begin_array() {
  raw("[");
  need_comma_ = false;
  return *this;
}

JsonWriter& JsonWriter::end_array() {
  need_comma_ = false;
  raw("]");
  return *this;
}

JsonWriter& JsonWriter::key(std::string_view name) {
  value(name);
  out_.write(": ");
  need_comma_ = false;
  return *this;
}

JsonWriter& JsonWriter::value(std::string_view text) {
  std::string escaped = "\"";
  while (!text.empty()) append_escaped(escaped, text);
  escaped += '"';
  raw(escaped);
  return *this;
}

std::string exact_text(double number) {
  const double size = std::fabs(number);
  const bool plain = size == 0.0 || (size >= 1e-6 && size < 1e15);  // where fixed notation stays short
  return digits_of(number, plain ? std::chars_format::fixed : std::chars_format::scientific);
}

JsonWriter& JsonWriter::value(double number) {
  if (!std::isfinite(number)) return null();
  raw(exact_text(number));
  return *this;
}

JsonWriter& JsonWriter::value(std::int64_t number) {
  raw(std::to_string(number));
  return *this;
}

JsonWriter& JsonWriter::value(bool truth) {
  raw(truth ? "true" : "false");
  return *this;
}

JsonWriter& JsonWriter::value(const Decimal& number) {
  raw(number.text());
  return *this;
}

JsonWriter& JsonWriter::value(UtcTime time) {
  return value(utc_text(time));
}

JsonWriter& JsonWriter::null() {
  raw("null");
  return *this;
}

JsonWriter& JsonWriter::line_break() {
  break_line_ = true;
  return *this;
}

}  // namespace nightwatt::text
