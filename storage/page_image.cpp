#include "page_image.hpp"

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <fstream>
#include <iterator>
#include <optional>

#include "store_files.hpp"

namespace nightwatt::storage {
namespace {

constexpr std::size_t header_bytes = 100;
constexpr unsigned char leaf_of_table = 13, leaf_of_index = 10, inside_of_index = 2, inside_of_table = 5;
// A store's rows have 22 columns at most; one of more is none of ours.
constexpr std::size_t columns_limit = 32;
// The largest row is a block of 65,536 readings that do not compress.
constexpr std::size_t row_bytes_limit = 64U << 20U;

std::uint32_t big_endian(std::string_view bytes, std::size_t at, std::size_t size) {
  std::uint32_t value = 0;
  for (std::size_t i = 0; i < size; ++i) value = value << 8U | static_cast<unsigned char>(bytes[at + i]);
  return value;
}

/// SQLite's own varint: seven bits a byte, highest first, nine bytes at most, all eight bits of the ninth.
std::optional<std::uint64_t> varint(std::string_view& bytes) {
  std::uint64_t value = 0;
  for (std::size_t i = 0; i < 9 && i < bytes.size(); ++i) {
    const auto byte = static_cast<unsigned char>(bytes[i]);
    if (i == 8) {
      bytes.remove_prefix(9);
      return value << 8U | byte;
    }
    value = value << 7U | (byte & 0x7FU);
    if ((byte & 0x80U) == 0) {
      bytes.remove_prefix(i + 1);
      return value;
    }
  }
  return std::nullopt;
}

std::size_t size_of(std::uint64_t type) {
  constexpr std::size_t sizes[] = {0, 1, 2, 3, 4, 6, 8, 8, 0, 0, 0, 0};
  return type < 12 ? sizes[type] : static_cast<std::size_t>((type - 12) / 2);
}

RowValue value_of(std::uint64_t type, std::string_view bytes) {
  if (type == 0 || type == 10 || type == 11) return {};
  if (type == 8 || type == 9) return std::int64_t{type == 9};
  if (type >= 12 && type % 2 == 0) return BlobValue{std::string(bytes)};
  if (type >= 13) return std::string(bytes);
  std::uint64_t bits = (static_cast<unsigned char>(bytes[0]) & 0x80U) != 0 ? ~std::uint64_t{0} : 0;
  for (const char c : bytes) bits = bits << 8U | static_cast<unsigned char>(c);
  if (type != 7) return static_cast<std::int64_t>(bits);
  double real = 0.0;
  std::memcpy(&real, &bits, sizeof real);
  return real;
}

/// "Record Format", section 2.1.
std::optional<std::vector<RowValue>> record(std::string_view bytes) {
  std::string_view types = bytes;
  const auto size = varint(types);
  if (!size || *size > bytes.size() || *size < 1) return std::nullopt;
  const std::size_t length_of_size = bytes.size() - types.size();
  if (*size < length_of_size) return std::nullopt;
  types = bytes.substr(length_of_size, static_cast<std::size_t>(*size) - length_of_size);
  std::string_view body = bytes.substr(static_cast<std::size_t>(*size));
  std::vector<RowValue> values;
  while (!types.empty()) {
    const auto type = varint(types);
    if (!type || values.size() == columns_limit || size_of(*type) > body.size()) return std::nullopt;
    values.push_back(value_of(*type, body.substr(0, size_of(*type))));
    body.remove_prefix(size_of(*type));
  }
  return values;
}

/// The log's checksum: over words of the byte order that its magic number tells.
struct LogSum {
  bool big = false;
  std::uint32_t a = 0, b = 0;
  void add(std::string_view bytes) {
    const auto word = [&](std::size_t at) {
      std::uint32_t value = 0;
      for (std::size_t i = 0; i < 4; ++i)
        value |= std::uint32_t{static_cast<unsigned char>(bytes[at + i])} << (8 * (big ? 3 - i : i));
      return value;
    };
    for (std::size_t at = 0; at + 8 <= bytes.size(); at += 8) {
      a += word(at) + b;
      b += word(at + 4) + a;
    }
  }
  [[nodiscard]] bool fits(std::string_view bytes, std::size_t at) const {
    return big_endian(bytes, at, 4) == a && big_endian(bytes, at + 4, 4) == b;
  }
};

std::optional<std::string> contents(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  if (!file) return std::nullopt;
  return std::string(std::istreambuf_iterator<char>(file), {});
}

bool is_page_size(std::size_t size) {
  return size >= 512 && size <= 65'536 && (size & (size - 1)) == 0;
}

}  // namespace

Result<PageImage> PageImage::read(const std::string& path) {
  std::optional<std::string> file = contents(path);
  if (!file) return fail(ErrorKind::unusable, path + ": cannot be read: " + std::strerror(errno));
  PageImage image;
  image.file_ = std::make_shared<const std::string>(std::move(*file));
  const std::string_view bytes = *image.file_;
  if (bytes.size() >= header_bytes) {
    const std::size_t told = big_endian(bytes, 16, 2) == 1 ? 65'536 : big_endian(bytes, 16, 2);
    // Where the header cannot be true: the size that stores have had from the first version on.
    if (bytes.compare(0, 15, "SQLite format 3") == 0 && is_page_size(told)) image.page_size_ = told;
  }
  image.pages_ = static_cast<std::uint32_t>(bytes.size() / image.page_size_);
  if (const auto log = contents(real_path(path) + log_suffix)) image.take_log(*log);
  if (const std::string_view first = image.page(1); first.size() >= header_bytes)
    image.version_ = big_endian(first, 60, 4);
  image.find_free_pages();
  image.find_tables();
  return image;
}

void PageImage::take_log(std::string_view log) {
  constexpr std::size_t log_header = 32, frame_header = 24;
  if (log.size() < log_header || (big_endian(log, 0, 4) & ~1U) != 0x377F0682U) return;
  LogSum sum;
  sum.big = (big_endian(log, 0, 4) & 1U) != 0;
  sum.add(log.substr(0, 24));
  const std::size_t page_size = big_endian(log, 8, 4);
  if (!sum.fits(log, 24) || !is_page_size(page_size)) return;
  page_size_ = page_size;
  pages_ = static_cast<std::uint32_t>(file_->size() / page_size_);
  std::map<std::uint32_t, std::string> uncommitted;
  for (std::size_t at = log_header; at + frame_header + page_size <= log.size(); at += frame_header + page_size) {
    const std::string_view frame = log.substr(at, frame_header + page_size);
    sum.add(frame.substr(0, 8));
    sum.add(frame.substr(frame_header));
    if (frame.substr(8, 8) != log.substr(16, 8) || !sum.fits(frame, 16)) return;
    uncommitted[big_endian(frame, 0, 4)] = std::string(frame.substr(frame_header));
    const std::uint32_t size_after = big_endian(frame, 4, 4);
    if (size_after == 0) continue;
    for (auto& [number, page] : uncommitted) newer_[number] = std::move(page);
    uncommitted.clear();
    pages_ = size_after;
  }
}

std::string_view PageImage::page(std::uint32_t number) const {
  if (const auto newer = newer_.find(number); newer != newer_.end()) return newer->second;
  const std::size_t at = (std::size_t{number} - 1) * page_size_;
  if (number == 0 || at + page_size_ > file_->size()) return {};
  return std::string_view(*file_).substr(at, page_size_);
}

/// "The Freelist", section 1.5. What lies there was given up.
void PageImage::find_free_pages() {
  const std::string_view first = page(1);
  if (first.empty() || first.compare(0, 15, "SQLite format 3") != 0) return;
  const std::size_t told = big_endian(first, 36, 4);
  std::uint32_t trunk = big_endian(first, 32, 4);
  while (trunk != 0 && free_.insert(trunk).second) {
    const std::string_view bytes = page(trunk);
    if (bytes.empty() || free_.size() > told) return;
    const std::size_t leaves = std::min<std::size_t>(big_endian(bytes, 4, 4), page_size_ / 4 - 2);
    for (std::size_t i = 0; i < leaves; ++i) free_.insert(big_endian(bytes, 8 + 4 * i, 4));
    trunk = big_endian(bytes, 0, 4);
  }
  free_known_ = trunk == 0 && free_.size() == told;
}

/// "B-tree Pages", section 1.6: from the root down. `rows`: nothing any more where a page is not what it must be.
void PageImage::walk(std::uint32_t root, std::optional<std::size_t>& rows) {
  std::vector<std::uint32_t> todo = {root};
  while (!todo.empty()) {
    const std::uint32_t number = todo.back();
    todo.pop_back();
    const std::string_view bytes = page(number);
    const std::size_t start = number == 1 ? header_bytes : 0;
    const int kind = bytes.size() < start + 12 ? 0 : static_cast<unsigned char>(bytes[start]);
    const bool is_leaf = kind == leaf_of_table || kind == leaf_of_index;
    const bool is_inside = kind == inside_of_table || kind == inside_of_index;
    if ((!is_leaf && !is_inside) || !live_.insert(number).second) {
      rows.reset();
      continue;
    }
    std::size_t found = 0;
    rows_of_page(number, [&](const FoundRow&) { ++found; });
    const std::size_t cells = big_endian(bytes, start + 3, 2);
    if (kind != inside_of_table && found != cells) rows.reset();
    if (rows) *rows += found;
    if (is_leaf) continue;
    todo.push_back(big_endian(bytes, start + 8, 4));
    for (std::size_t i = 0; i < cells && start + 12 + 2 * i + 2 <= bytes.size(); ++i) {
      const std::size_t at = big_endian(bytes, start + 12 + 2 * i, 2);
      if (at + 4 <= bytes.size())
        todo.push_back(big_endian(bytes, at, 4));
      else
        rows.reset();
    }
  }
}

/// "Storage Of The SQL Database Schema", section 2.6: the tables' roots are rows of the tree that begins at page 1.
void PageImage::find_tables() {
  std::optional<std::size_t> rows_of_schema = 0;
  walk(1, rows_of_schema);
  std::map<std::string, std::uint32_t> roots;
  const auto take = [&](const FoundRow& row) {
    if (row.values.size() != 5) return;
    const auto* kind = std::get_if<std::string>(&row.values[0]);
    const auto* name = std::get_if<std::string>(&row.values[1]);
    const auto* root = std::get_if<std::int64_t>(&row.values[3]);
    const bool has_root = kind != nullptr && (*kind == "table" || *kind == "index");
    if (has_root && name != nullptr && root != nullptr && *root > 1 && *root <= UINT32_MAX)
      roots.emplace(*name, static_cast<std::uint32_t>(*root));
  };
  const std::set<std::uint32_t> pages_of_schema = live_;
  for (const std::uint32_t number : pages_of_schema) rows_of_page(number, take);
  for (const auto& [name, root] : roots) {
    std::optional<std::size_t> rows = 0;
    walk(root, rows);
    tables_[name] = rows;
  }
}

std::optional<std::size_t> PageImage::rows_of_whole(const std::string& table) const {
  const auto found = tables_.find(table);
  return found == tables_.end() ? std::nullopt : found->second;
}

void PageImage::each_row(const std::function<void(const FoundRow&)>& take) const {
  for (const std::uint32_t number : live_) rows_of_page(number, take);
  const std::uint32_t last = newer_.empty() ? pages_ : std::max(pages_, newer_.rbegin()->first);
  for (std::uint32_t number = 1; number <= last; ++number)
    if (!free_.contains(number) && !live_.contains(number)) rows_of_page(number, take);
}

/// "B-tree Pages", section 1.6.
void PageImage::rows_of_page(std::uint32_t number, const std::function<void(const FoundRow&)>& take) const {
  const std::string_view bytes = page(number);
  const std::size_t start = number == 1 ? header_bytes : 0;
  if (bytes.size() < start + 12) return;
  const auto kind = static_cast<unsigned char>(bytes[start]);
  if (kind != leaf_of_table && kind != leaf_of_index && kind != inside_of_index) return;
  const std::size_t cells = big_endian(bytes, start + 3, 2);
  const std::size_t pointers = start + (kind == inside_of_index ? 12 : 8);
  for (std::size_t i = 0; i < cells && pointers + 2 * i + 2 <= bytes.size(); ++i) {
    const std::size_t at = big_endian(bytes, pointers + 2 * i, 2) + (kind == inside_of_index ? 4 : 0);
    if (at >= bytes.size()) continue;
    std::string_view cell = bytes.substr(at);
    const auto size = varint(cell);
    FoundRow row;
    row.has_id = kind == leaf_of_table;
    row.is_live = live_.contains(number);
    if (row.has_id) {
      const auto id = varint(cell);
      if (!id) continue;
      row.id = static_cast<std::int64_t>(*id);
    }
    std::string whole;
    if (!size || *size > row_bytes_limit || !payload(cell, static_cast<std::size_t>(*size), row.has_id, whole))
      continue;
    if (auto values = record(whole)) {
      row.values = std::move(*values);
      take(row);
    }
  }
}

/// "Cell Payload Overflow Pages", section 1.6 and 1.7.
bool PageImage::payload(std::string_view cell, std::size_t size, bool of_table, std::string& bytes) const {
  const std::size_t usable = page_size_;
  const std::size_t most = of_table ? usable - 35 : (usable - 12) * 64 / 255 - 23;
  const std::size_t least = (usable - 12) * 32 / 255 - 23;
  std::size_t here = size;
  if (size > most) {
    here = least + (size - least) % (usable - 4);
    if (here > most) here = least;
  }
  if (cell.size() < here + (here < size ? 4 : 0)) return false;
  bytes.assign(cell.substr(0, here));
  if (here == size) return true;
  std::uint32_t next = big_endian(cell, here, 4);
  while (bytes.size() < size) {
    const std::string_view more = page(next);
    if (more.empty()) return false;
    bytes.append(more.substr(4, std::min(size - bytes.size(), usable - 4)));
    next = big_endian(more, 0, 4);
  }
  return true;
}

}  // namespace nightwatt::storage
