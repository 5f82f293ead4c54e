// Saves and restores a type by one list of its fields, so that what is written and what is read cannot differ.
//
// A type lists them in `template <class Archive, class Self> static void archive(Archive& ar, Self& self)`:
// `ar(self.a_, self.b_)` writes or reads them in this order, `ar.require(...)` says what is true of every state that
// can be. What is not kept as it stands: `ar.told(x)` is what was written, `ar.set(self.a_, y)` makes the field of it;
// `ar.offset(self.a_, from)` keeps a distance, `ar.sized(self.list_)` the length alone
// (of elements that take so many bytes at least).
#pragma once

#include <cstdint>
#include <deque>
#include <limits>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "measure/signal/bytes.hpp"
#include "measure/signal/gap_rule.hpp"
#include "measure/signal/running_sum.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt {

/// Writes what it is given.
class Saver {
 public:
  explicit Saver(std::string& out) : out_(out) {}
  template <class... Fields>
  void operator()(const Fields&... fields) {
    (put(fields), ...);
  }
  /// The layout's number: the newest.
  std::uint64_t version(std::uint64_t newest, std::uint64_t /*oldest*/) {
    put_varint(out_, newest);
    return newest;
  }
  bool require(bool /*true_of_it*/) { return true; }
  template <class Value>
  Value told(Value value) {
    put(value);
    return value;
  }
  template <class Field, class Value>
  void set(const Field& /*as_it_is*/, const Value& /*as_told*/) {}
  void offset(std::int64_t value, std::int64_t from) { put_signed(out_, wrapping_minus(value, from)); }
  void offset(UtcTime value, UtcTime from) { offset(value.us, from.us); }
  template <class List>
  void sized(const List& values, std::size_t /*least_bytes*/ = 1) {
    put_varint(out_, values.size());
  }

 private:
  void put(std::uint8_t value) { put_byte(out_, value); }
  void put(bool value) { put_byte(out_, value ? 1 : 0); }
  void put(int value) { put_signed(out_, value); }
  void put(std::int64_t value) { put_signed(out_, value); }
  void put(std::uint32_t value) { put_varint(out_, value); }
  void put(std::uint64_t value) { put_varint(out_, value); }
  void put(double value) { put_real(out_, value); }
  void put(UtcTime value) { put_signed(out_, value.us); }
  void put(Duration value) { put_signed(out_, value.count()); }
  void put(const RunningSum& value) { (*this)(value.sum(), value.lost()); }
  void put(const GapRule& value) { put_text(out_, value.save()); }
  void put(const std::optional<bool>& value) { put_byte(out_, value ? (*value ? 2 : 1) : 0); }
  template <class First, class Second>
  void put(const std::pair<First, Second>& value) {
    (*this)(value.first, value.second);
  }
  template <class Value>
  void put(const std::optional<Value>& value) {
    (*this)(value.has_value(), value.value_or(Value{}));
  }
  template <class Value>
  void put(const std::vector<Value>& values) {
    put_list(values);
  }
  template <class Value>
  void put(const std::deque<Value>& values) {
    put_list(values);
  }
  template <class Listed>
  void put(const Listed& value) {
    Listed::archive(*this, value);
  }
  template <class List>
  void put_list(const List& values) {
    put_varint(out_, values.size());
    for (const auto& value : values) put(value);
  }
  std::string& out_;
};

/// Reads into what it is given, any bytes: what a Saver did not write, or what cannot be, is refused by the reader.
class Restorer {
 public:
  explicit Restorer(ByteReader& in) : in_(in) {}
  template <class... Fields>
  void operator()(Fields&... fields) {
    (get(fields), ...);
  }
  /// The layout's number, from the oldest that can be read to the newest.
  std::uint64_t version(std::uint64_t newest, std::uint64_t oldest) {
    const std::uint64_t found = in_.varint();
    require(found >= oldest && found <= newest);
    return found;
  }
  bool require(bool true_of_it) {
    if (!true_of_it) in_.set_bad();
    return true_of_it;
  }
  template <class Value>
  Value told(Value value) {
    get(value);
    return value;
  }
  template <class Field, class Value>
  void set(Field& field, Value&& as_told) {
    field = std::forward<Value>(as_told);
  }
  /// Modulo 2^64: damaged bytes must not overflow.
  void offset(std::int64_t& value, std::int64_t from) { value = wrapping_plus(from, in_.signed_varint()); }
  void offset(UtcTime& value, UtcTime from) { offset(value.us, from.us); }
  template <class List>
  void sized(List& values, std::size_t least_bytes = 1) {
    values.resize(in_.count(least_bytes));
  }

 private:
  void get(std::uint8_t& value) { value = in_.byte(); }
  void get(bool& value) { value = in_.byte() == 1; }
  void get(int& value) {
    const std::int64_t found = in_.signed_varint();
    const bool fits = found >= std::numeric_limits<int>::min() && found <= std::numeric_limits<int>::max();
    value = require(fits) ? static_cast<int>(found) : 0;
  }
  void get(std::int64_t& value) { value = in_.signed_varint(); }
  void get(std::uint32_t& value) {
    const std::uint64_t found = in_.varint();
    const bool fits = require(found <= std::numeric_limits<std::uint32_t>::max());
    value = fits ? static_cast<std::uint32_t>(found) : 0;
  }
  void get(std::uint64_t& value) { value = in_.varint(); }
  void get(double& value) { value = in_.real(); }
  void get(UtcTime& value) { value.us = in_.signed_varint(); }
  void get(Duration& value) { value = Duration{in_.signed_varint()}; }
  void get(RunningSum& value) {
    const double sum = in_.real();
    value.restore(sum, in_.real());
  }
  /// What a profile says of the gaps stays.
  void get(GapRule& value) { require(value.go_on_from(in_.text())); }
  void get(std::optional<bool>& value) {
    const std::uint8_t found = in_.byte();
    value = require(found <= 2) && found > 0 ? std::optional(found == 2) : std::nullopt;
  }
  template <class First, class Second>
  void get(std::pair<First, Second>& value) {
    (*this)(value.first, value.second);
  }
  template <class Value>
  void get(std::optional<Value>& value) {
    bool there = false;
    Value found{};
    (*this)(there, found);
    value = there ? std::optional<Value>(found) : std::nullopt;
  }
  template <class Value>
  void get(std::vector<Value>& values) {
    get_list(values);
  }
  template <class Value>
  void get(std::deque<Value>& values) {
    get_list(values);
  }
  template <class Listed>
  void get(Listed& value) {
    Listed::archive(*this, value);
  }
  template <class List>
  void get_list(List& values) {
    values.clear();
    for (std::size_t left = in_.count(1); left > 0 && in_.ok(); --left) get(values.emplace_back());
  }
  ByteReader& in_;
};

template <class Listed>
[[nodiscard]] std::string saved(const Listed& value) {
  std::string out;
  Saver ar(out);
  ar(value);
  return out;
}
/// False: these bytes are no saved state; the value is then of no use.
template <class Listed>
[[nodiscard]] bool restored(std::string_view bytes, Listed& value) {
  ByteReader in(bytes);
  Restorer ar(in);
  ar(value);
  return in.ok() && in.at_end();
}

}  // namespace nightwatt
