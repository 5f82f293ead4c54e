#include "compare_columns.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <string_view>

#include "measure/signal/time_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

using figures::Comparison;
using figures::DeviceRow;

struct Column {
  std::string_view name;
  std::string title;
  Table::Align align;
  bool usual;  ///< shown where nobody chose
  std::function<std::string(std::size_t)> cell;
};

bool any_row(const Comparison& all, const std::function<bool(const DeviceRow&)>& has) {
  return std::any_of(all.rows.begin(), all.rows.end(), has);
}

std::vector<Column> figure_columns(const Comparison& all) {
  const bool ranked = all.rows.size() > 1;
  const auto figure = [&all](std::optional<Figure> DeviceRow::*which) {
    return [&all, which](std::size_t i) { return figures::figure_or_nothing(all.rows[i].*which, "W"); };
  };
  return {
      {"standby", "standby", Table::Align::right, true, figure(&DeviceRow::standby)},
      {"idle", "idle", Table::Align::right, true, figure(&DeviceRow::idle)},
      {"idle-rank", "rank", Table::Align::left, ranked,
       [&all](std::size_t i) { return figures::rank_text(all.idle_ranks[i]); }},
      {"baseline", "baseline", Table::Align::right,
       any_row(all, [](const DeviceRow& row) { return differ(row.baseline, row.idle); }), figure(&DeviceRow::baseline)},
      {"load", "load", Table::Align::right, true, figure(&DeviceRow::load)},
      {"load-rank", "rank", Table::Align::left, ranked,
       [&all](std::size_t i) { return figures::rank_text(all.load_ranks[i]); }},
      {"sustained", "sustained", Table::Align::right,
       any_row(all, [](const DeviceRow& row) { return differ(row.sustained, row.load); }),
       figure(&DeviceRow::sustained)},
      {"energy", "energy", Table::Align::right, figures::energies_compare(all.rows),
       [&all](std::size_t i) { return figures::number_or_nothing(all.rows[i].energy_wh, "Wh"); }}};
}

std::vector<Column> day_columns(const Comparison& all, const TableRequest& request) {
  if (!request.day) return {};
  std::vector<figures::DayFigures> days;
  for (const DeviceRow& row : all.rows) days.push_back(day_of(row, *request.day));
  const std::string currency = request.currency.empty() ? "cost a year" : text::printable(request.currency) + " a year";
  return {{"day", "a day", Table::Align::right, true,
           [days](std::size_t i) { return figures::figure_or_nothing(days[i].energy_wh, "Wh"); }},
          {"cost", currency, Table::Align::right, request.day->tariff.has_value(),
           [days](std::size_t i) { return figures::figure_or_nothing(days[i].cost_a_year, ""); }},
          {"lasts", "battery lasts", Table::Align::right, request.day->battery_wh.has_value(), [days](std::size_t i) {
             return days[i].lasts_h ? duration_text({std::floor(*days[i].lasts_h * 60.0) * 60.0}) : std::string();
           }}};
}

std::vector<Column> word_columns(const Comparison& all) {
  return {{"includes", "plugged in", Table::Align::left, figures::includes_differ(all.rows),
           [&all](std::size_t i) { return text::printable(includes_text(all.rows[i], ", ")); }},
          {"set", "conditions", Table::Align::left, figures::conditions_differ(all.rows),
           [&all](std::size_t i) { return text::printable(conditions_text(all.rows[i], " ", ", ")); }},
          {"from", "from", Table::Align::left, true, [&all](std::size_t i) {
             return runs_text(all.rows[i]) + (all.less ? ", less run " + std::to_string(*all.less) : "");
           }}};
}

/// Those that were asked for, in that order; else the usual ones.
Result<std::vector<Column>> chosen(std::vector<Column> columns, const std::optional<std::string>& names) {
  std::vector<Column> result;
  if (!names) {
    std::copy_if(columns.begin(), columns.end(), std::back_inserter(result), [](const Column& c) { return c.usual; });
    return result;
  }
  for (std::string_view rest = *names; !rest.empty();) {
    const std::size_t comma = std::min(rest.find(','), rest.size());
    const std::string_view name = rest.substr(0, comma);
    rest.remove_prefix(std::min(rest.size(), comma + 1));
    const auto found = std::find_if(columns.begin(), columns.end(), [&](const Column& c) { return c.name == name; });
    if (found == columns.end()) {
      std::string known;
      for (const Column& column : columns) known += (known.empty() ? "" : ", ") + std::string(column.name);
      return fail(ErrorKind::input, "--columns has " + text::quoted(std::string(name)) + "; give some of " + known +
                                        " (day, cost and lasts come with --day)");
    }
    result.push_back(*found);
  }
  return result;
}

}  // namespace

Result<Table> devices_table(const Comparison& all, const TableRequest& request) {
  std::vector<Column> columns = figure_columns(all);
  for (Column& column : day_columns(all, request)) columns.push_back(std::move(column));
  for (Column& column : word_columns(all)) columns.push_back(std::move(column));
  const auto shown = chosen(std::move(columns), request.columns);
  if (!shown) return tl::unexpected(shown.error());
  Table table;
  table.column("device", Table::Align::left);
  for (const Column& column : *shown) table.column(column.title, column.align);
  for (std::size_t i = 0; i < all.rows.size(); ++i) {
    std::vector<Table::Cell> cells = {{text::printable(all.rows[i].device), Tone::strong}};
    for (const Column& column : *shown) cells.push_back({column.cell(i)});
    table.row(std::move(cells));
  }
  return table;
}

}  // namespace nightwatt::query
