// Tables as a terminal shows them.
#include <catch2/catch.hpp>

#include "tools/query/table.hpp"

using namespace nightwatt::query;

namespace {

Table devices() {
  Table table;
  table.column("device", Table::Align::left);
  table.column("idle", Table::Align::right);
  table.column("from", Table::Align::left);
  table.row({{"Gannet board"}, {"1.62 ± 0.05 W", Tone::green}, {"run 1"}});
  table.row({{"鴎 mini"}, {""}, {"run 12"}});
  return table;
}

std::string shown(const Table& table, bool colour) {
  std::string text;
  Sink sink(text);
  Style style;
  style.colour = colour;
  table.write(sink, style);
  return text;
}

}  // namespace

TEST_CASE("columns line up by what is seen, not by bytes") {
  CHECK(shown(devices(), false) ==
        "device                 idle  from\n"
        "Gannet board  1.62 ± 0.05 W  run 1\n"
        "鴎 mini                   -  run 12\n");
}

TEST_CASE("colour is there when asked for, and only then") {
  CHECK(shown(devices(), false).find('\x1b') == std::string::npos);
  CHECK(shown(devices(), true).find("\x1b[32m1.62 ± 0.05 W\x1b[0m") != std::string::npos);
}
