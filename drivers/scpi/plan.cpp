#include "scpi/plan.hpp"

#include <algorithm>

#include "fault_text.hpp"
#include "scpi/number.hpp"

namespace nightwatt::drivers::scpi {

namespace {

std::string named(const ReadSpec& read) {
  return std::string(quantity_name(read.quantity));
}

/// The parts of an answer: commas within the data of one query, semicolons between those of several in one line (IEEE
/// 488.2, 8.4), neither within quotes.
std::vector<std::string_view> fields_of(std::string_view line) {
  std::vector<std::string_view> fields;
  bool quoted = false;
  std::size_t begin = 0;
  for (std::size_t i = 0; i <= line.size(); ++i) {
    if (i < line.size() && line[i] == '"') quoted = !quoted;
    if (i < line.size() && (quoted || (line[i] != ',' && line[i] != ';'))) continue;
    fields.push_back(line.substr(begin, i - begin));
    begin = i + 1;
  }
  return fields;
}

}  // namespace

Result<Plan> Plan::make(const std::vector<ReadSpec>& reads) {
  if (reads.empty()) return fail(ErrorKind::input, "scpi: nothing to read; add a [[read]]");
  Plan plan;
  std::uint32_t seen = 0;
  for (const ReadSpec& read : reads) {
    const std::uint32_t bit = 1U << static_cast<unsigned>(read.quantity);
    if ((seen & bit) != 0) return fail(ErrorKind::input, "scpi: " + named(read) + " is read twice");
    seen |= bit;
    if (read.query.empty() || read.query.size() > query_limit || read.query.back() != '?')
      return fail(ErrorKind::input, "scpi: " + named(read) + ": query must end with ? and have " +
                                        std::to_string(query_limit) + " characters at most");
    if (read.column < 1 || read.column > field_limit)
      return fail(ErrorKind::input,
                  "scpi: " + named(read) + ": field must be from 1 to " + std::to_string(field_limit));
    const auto known = std::find(plan.queries_.begin(), plan.queries_.end(), read.query);
    plan.query_of_.push_back(static_cast<std::size_t>(known - plan.queries_.begin()));
    if (known == plan.queries_.end()) plan.queries_.push_back(read.query);
    if (read.quantity == Quantity::power) plan.main_ = plan.query_of_.back();
  }
  plan.reads_ = reads;
  return plan;
}

bool Plan::take(std::size_t query, std::string_view line, std::uint64_t at_byte, Values& values,
                std::vector<Fault>& faults) const {
  const std::vector<std::string_view> fields = fields_of(line);
  Values taken = values;
  std::vector<Fault> beyond;
  for (std::size_t i = 0; i < reads_.size(); ++i) {
    if (query_of_[i] != query) continue;
    const ReadSpec& read = reads_[i];
    const auto field = static_cast<std::size_t>(read.column - 1);
    const Number number = field < fields.size() ? read_number(fields[field]) : Number();
    if (number.state == NumberState::word) {
      faults.push_back(make_fault(FaultKind::malformed, at_byte,
                                  named(read) + " is no number in field " + std::to_string(read.column) +
                                      " of the answer to " + queries_[query] + ": " + quoted(line)));
      return false;
    }
    if (number.state == NumberState::none) continue;
    const std::optional<Decimal> value =
        number.state == NumberState::number ? number.value.times(read.scale) : std::nullopt;
    if (value) {
      taken.set(read.quantity, *value);
    } else {
      beyond.push_back(
          make_fault(FaultKind::range, at_byte, named(read) + " is out of range: " + quoted(fields[field])));
    }
  }
  values = taken;
  faults.insert(faults.end(), beyond.begin(), beyond.end());
  return true;
}

}  // namespace nightwatt::drivers::scpi
