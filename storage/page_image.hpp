// The rows of a damaged database, found page by page: nothing that one row says is needed to find another.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "measure/signal/result.hpp"

namespace nightwatt::storage {

struct BlobValue {
  std::string bytes;
};
using RowValue = std::variant<std::monostate, std::int64_t, double, std::string, BlobValue>;

struct FoundRow {
  bool has_id = false;   ///< of a table that numbers its rows
  bool is_live = false;  ///< a table leads to it; else it may have been given up
  std::int64_t id = 0;
  std::vector<RowValue> values;
};

/// The pages of a file as its log leaves them, by "Database File Format" and "WAL-mode File Format" of sqlite.org. The
/// files are only read, and any bytes may be in them.
class PageImage {
 public:
  /// Unusable where the file cannot be read at all.
  [[nodiscard]] static Result<PageImage> read(const std::string& path);

  /// Every row of every leaf, also rows of indexes: whoever takes them knows what his look like. First those that the
  /// tables still lead to, then what else lies in pages that are not known to be free: it may have been given up.
  void each_row(const std::function<void(const FoundRow&)>& take) const;
  [[nodiscard]] std::int64_t version() const { return version_; }  ///< of the store; 0: not known
  /// How many rows a table has; nothing where a page of it is damaged or cannot be found.
  [[nodiscard]] std::optional<std::size_t> rows_of_whole(const std::string& table) const;
  /// Whether every page that was given up is known as such.
  [[nodiscard]] bool free_pages_known() const { return free_known_; }

 private:
  [[nodiscard]] std::string_view page(std::uint32_t number) const;
  void take_log(std::string_view log);
  void find_free_pages();
  void find_tables();
  void walk(std::uint32_t root, std::optional<std::size_t>& rows);
  void rows_of_page(std::uint32_t number, const std::function<void(const FoundRow&)>& take) const;
  [[nodiscard]] bool payload(std::string_view cell, std::size_t size, bool of_table, std::string& bytes) const;

  std::shared_ptr<const std::string> file_;
  std::map<std::uint32_t, std::string> newer_;  ///< pages that the log holds
  std::set<std::uint32_t> free_;
  std::set<std::uint32_t> live_;  ///< a table leads to them
  std::map<std::string, std::optional<std::size_t>> tables_;
  bool free_known_ = false;
  std::size_t page_size_ = 512;
  std::uint32_t pages_ = 0;
  std::int64_t version_ = 0;
};

}  // namespace nightwatt::storage
