#include "csv/csv_writer.hpp"

#include "measure/signal/time_text.hpp"

namespace nightwatt::csv {
namespace {

void append_value(std::string& out, const Reading& reading, Quantity quantity) {
  out += ',';
  if (const auto value = reading.values.get(quantity)) out += value->text();
}

}  // namespace

void append_header(std::string& out, const std::vector<Quantity>& others) {
  out += "time,power_w";
  for (const Quantity quantity : others) {
    out += ',';
    out += quantity_column(quantity);
  }
  out += '\n';
}

void append_row(std::string& out, const Reading& reading, Duration shift, const std::vector<Quantity>& others) {
  out += unix_text(reading.time + shift);
  append_value(out, reading, Quantity::power);
  for (const Quantity quantity : others) append_value(out, reading, quantity);
  out += '\n';
}

}  // namespace nightwatt::csv
