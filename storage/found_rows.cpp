#include "found_rows.hpp"

#include <algorithm>
#include <cstdlib>
#include <string_view>

#include "block.hpp"
#include "bytes.hpp"
#include "reader_impl.hpp"
#include "schema.hpp"
#include "seal.hpp"

namespace nightwatt::storage {
namespace {

const Form& form_of(Table table) {
  return traits_of(table).form;
}

bool fits(char kind, RowValue& value) {
  const bool null = std::holds_alternative<std::monostate>(value);
  switch (kind) {
    case 'N':  // the record says NULL, the number lies before it
      return null;
    case 'i':
      if (null) return true;
      [[fallthrough]];
    case 'I':
      return std::holds_alternative<std::int64_t>(value);
    case 'r':
      if (null) return true;
      [[fallthrough]];
    case 'R':  // a whole number is stored as one, and read as a real
      if (const auto* whole = std::get_if<std::int64_t>(&value)) value = static_cast<double>(*whole);
      return std::holds_alternative<double>(value);
    case 't':
      if (null) return true;
      [[fallthrough]];
    case 'T':
      return std::holds_alternative<std::string>(value);
    default:
      return std::holds_alternative<BlobValue>(value);
  }
}

std::int64_t seal_of(Table table, const SoundRow& row) {
  const Form& form = form_of(table);
  SealBytes bytes(traits_of(table).name);
  for (std::size_t i = form.sealed_from; i < form.sealed_from + form.sealed; ++i) {
    const RowValue& value = row.values[i];
    if (const auto* whole = std::get_if<std::int64_t>(&value))
      bytes.put_integer(*whole);
    else if (const auto* real = std::get_if<double>(&value))
      bytes.put_real(*real);
    else if (const auto* text = std::get_if<std::string>(&value))
      bytes.put_text(*text);
    else if (const auto* blob = std::get_if<BlobValue>(&value))
      bytes.put_blob(blob->bytes);
    else
      bytes.put_null();
  }
  return bytes.seal();
}

/// Rows that have no seal, and prove themselves in another way.
bool proves_itself(Table table, const SoundRow& row) {
  if (table == Table::block_data) return decode_block(row.blob(1)).has_value();
  if (table == Table::quarantine) {  // whether its readings do is asked later: one that does not is to be told
    constexpr std::int64_t acknowledged = 1;
    return row.integer_or_none(3).value_or(acknowledged) == acknowledged;
  }
  const std::int64_t crc = row.integer(3);
  Columns columns;
  const bool sealed = crc == write_buffer_crc(row.integer(1), row.blob(2)) || crc == std::int64_t{crc32(row.blob(2))};
  return sealed && decode_write_buffer(row.blob(2), columns);
}

/// Three whole numbers may be a row of an index as well: told apart by what they can be.
bool looks_like_one(Table table, const SoundRow& row) {
  constexpr std::int64_t some_days_of_1970_us = 1'000'000'000'000, a_second_us = 1'000'000;
  if (table != Table::utc_offset) return true;
  return row.integer(1) > some_days_of_1970_us && std::abs(row.integer(2)) >= a_second_us;
}

/// The row as one of the table, if it is one. Columns that a later version added may be missing at its end.
std::optional<SoundRow> as_row(Table table, const FoundRow& found, std::int64_t version) {
  const Form& form = form_of(table);
  const std::size_t columns = form.kinds.size();
  const bool has_seal = form.sealed > 0;
  if ((form.with_id && !found.has_id) || found.values.size() > columns + (has_seal ? 1 : 0)) return std::nullopt;
  SoundRow row;
  row.id = found.id;
  row.values = found.values;
  RowValue seal;
  if (row.values.size() == columns + 1) {
    seal = row.values.back();
    row.values.pop_back();
  } else if (has_seal && version >= first_version_with_seals) {
    return std::nullopt;  // of an index
  }
  // Up to version 4 two at most came with one version.
  const std::size_t may_lack = version >= first_version_with_seals ? form.late : 2;
  if (row.values.size() > columns || row.values.size() + may_lack < columns) return std::nullopt;
  row.values.resize(columns);
  for (std::size_t i = 0; i < columns; ++i)
    if (!fits(form.kinds[i], row.values[i])) return std::nullopt;
  if (form.numbered) row.values[0] = row.id;
  if (!has_seal) return proves_itself(table, row) ? std::optional(row) : std::nullopt;
  if (std::holds_alternative<std::monostate>(seal))  // by a program that knew none
    return looks_like_one(table, row) ? std::optional(row) : std::nullopt;
  if (seal.index() != RowValue(std::int64_t{0}).index()) return std::nullopt;
  return std::get<std::int64_t>(seal) == seal_of(table, row) ? std::optional(row) : std::nullopt;
}

std::string key_of(Table table, const SoundRow& row) {
  const Form& form = form_of(table);
  if (form.keys == 0) return row_key({row.id});
  std::string key;
  for (std::size_t i = 0; i < form.keys; ++i) {
    const auto* text = std::get_if<std::string>(&row.values[i]);
    key += text != nullptr ? *text : row_key({row.integer(i)});
  }
  return key;
}

/// What lies in no table may have been lost from one, or taken out of it: the latter where all of the table is there.
/// Free pages are left out before, as far as they are known.
bool may_be_of_table(const PageImage& image, const TableTraits& table) {
  return image.free_pages_known() || !image.rows_of_whole(table.name);
}

FoundTables rows_of_version(const PageImage& image, std::int64_t version) {
  FoundTables tables;
  std::array<bool, table_count> astray_wanted{};
  for (std::size_t i = 0; i < table_count; ++i) astray_wanted[i] = may_be_of_table(image, all_tables()[i]);
  image.each_row([&](const FoundRow& found) {
    for (std::size_t i = 0; i < table_count; ++i) {
      if (!found.is_live && !astray_wanted[i]) continue;
      const auto table = static_cast<Table>(i);
      if (auto row = as_row(table, found, version)) {
        std::string key = key_of(table, *row);
        tables[i].emplace(std::move(key), std::move(*row));
        return;
      }
    }
  });
  return tables;
}

}  // namespace

std::string table_words(Table table) {
  const TableTraits& traits = traits_of(table);
  return traits.counting.since > 0 ? traits.counting.what : traits.name;
}

std::int64_t SoundRow::integer(std::size_t column) const {
  return integer_or_none(column).value_or(0);
}
std::optional<std::int64_t> SoundRow::integer_or_none(std::size_t column) const {
  const auto* value = std::get_if<std::int64_t>(&values[column]);
  return value == nullptr ? std::nullopt : std::optional(*value);
}
std::string SoundRow::text(std::size_t column) const {
  const auto* value = std::get_if<std::string>(&values[column]);
  return value == nullptr ? std::string() : *value;
}
const std::string& SoundRow::blob(std::size_t column) const {
  static const std::string none;
  const auto* value = std::get_if<BlobValue>(&values[column]);
  return value == nullptr ? none : value->bytes;
}

// So that the order of keys is the numbers'.
std::string row_key(std::initializer_list<std::int64_t> numbers) {
  std::string key;
  for (const std::int64_t number : numbers) {
    const std::uint64_t bits = static_cast<std::uint64_t>(number) ^ (std::uint64_t{1} << 63U);
    for (unsigned byte = 8; byte > 0; --byte) key.push_back(static_cast<char>(bits >> (8 * (byte - 1)) & 0xFFU));
  }
  return key;
}

bool removed_may_be_back(const PageImage& image) {
  const auto wanted = [&](const TableTraits& table) { return may_be_of_table(image, table); };
  return !image.free_pages_known() && std::any_of(all_tables().begin(), all_tables().end(), wanted);
}

FoundTally find_tally(const PageImage& image) {
  FoundTally tally;
  image.each_row([&](const FoundRow& found) {
    if (!found.is_live || found.has_id || found.values.size() != 3) return;
    const auto* what = std::get_if<std::string>(&found.values[0]);
    const auto* owner = std::get_if<std::int64_t>(&found.values[1]);
    const auto* count = std::get_if<std::int64_t>(&found.values[2]);
    if (what == nullptr || owner == nullptr || count == nullptr) return;
    for (const TableTraits& table : all_tables())
      if (*what == table.name) tally[{table.table, *owner}] = *count;
  });
  return tally;
}

FoundTables find_sound_rows(const PageImage& image) {
  const std::int64_t told = image.version();
  const bool known = told >= 1 && told <= schema_version;
  FoundTables tables = rows_of_version(image, known ? told : schema_version);
  const bool nothing =
      tables[static_cast<std::size_t>(Table::run)].empty() && tables[static_cast<std::size_t>(Table::stream)].empty();
  if (nothing && !known) return rows_of_version(image, first_version_with_seals - 1);
  return tables;
}

}  // namespace nightwatt::storage
