#include "put_back.hpp"

#include <optional>
#include <utility>

#include "block.hpp"
#include "reader_impl.hpp"

namespace nightwatt::storage {
namespace {

/// Whose readings the row holds, by its checksum, whatever meter the row names. None: it has none that fits.
std::optional<StreamId> proved_stream(const SoundRow& row, const std::set<StreamId>& streams) {
  const auto crc = row.integer_or_none(4);  // none: set aside by a program of version 7 or older
  if (!crc) return std::nullopt;
  for (const StreamId stream : streams)
    if (*crc == write_buffer_crc(stream, row.blob(2))) return stream;
  return std::nullopt;
}

}  // namespace

std::optional<Columns> fitted_in(const Columns& block, const Columns& back) {
  const std::size_t at = block.lower_bound(back.times.front());
  if (at == 0 || at == block.size() || block.times[at] <= back.times.back()) return std::nullopt;
  Columns both;
  for (std::size_t i = 0; i < at; ++i) both.push(block.reading(i));
  for (std::size_t i = 0; i < back.size(); ++i) both.push(back.reading(i));
  for (std::size_t i = at; i < block.size(); ++i) both.push(block.reading(i));
  return both;
}

Quarantine judge_quarantine(const std::map<std::string, SoundRow>& rows, const std::set<StreamId>& streams) {
  Quarantine found;
  for (const auto& [key, row] : rows) {
    Columns columns;
    const bool readable = decode_write_buffer(row.blob(2), columns) && !columns.empty();
    if (const auto stream = proved_stream(row, streams); stream && readable) {
      SoundRow again;
      again.values = {{}, *stream, row.values[2], row.values[4]};
      found.sound[*stream].push_back({std::move(again), std::move(columns)});
      continue;
    }
    NotPutBack damaged;
    if (readable) {
      damaged.first_us = columns.times.front();
      damaged.last_us = columns.times.back();
      damaged.readings = static_cast<std::int64_t>(columns.size());
    }
    found.damaged[row.integer(1)].push_back(damaged);
  }
  return found;
}

}  // namespace nightwatt::storage
