#include "read_out.hpp"

#include <algorithm>

#include "fault_text.hpp"
#include "measure/signal/fnv1a.hpp"
#include "text/field.hpp"

namespace nightwatt::drivers {

namespace {

/// Enough to tell one meter's read-outs apart.
class LayoutHash {
 public:
  void add(char c) { hash_.add(c); }
  void add(std::string_view text) {
    hash_.add(text);
    hash_.add('\n');
  }
  /// Where the digits stand, not which they are.
  void add_places(std::string_view text) {
    for (const char c : text) hash_.add(c >= '0' && c <= '9' ? '0' : c);
    hash_.add('\n');
  }
  [[nodiscard]] std::uint64_t value() const { return hash_.value(); }

 private:
  Fnv1a hash_;
};

struct Group {
  std::string_view value;
  std::string_view unit;
};

Group split_group(std::string_view inside) {
  const std::size_t star = inside.find('*');
  if (star == std::string_view::npos) return {inside, {}};
  return {inside.substr(0, star), inside.substr(star + 1)};
}

bool is_number(std::string_view text) {
  return text::read_field(text, false).state == text::FieldState::number;
}

/// `(...)` off the front.
std::optional<std::string_view> take_group(std::string_view& line) {
  if (line.empty() || line.front() != '(') return std::nullopt;
  const std::size_t end = line.find(')');
  if (end == std::string_view::npos) return std::nullopt;
  const std::string_view inside = line.substr(1, end - 1);
  if (inside.find('(') != std::string_view::npos) return std::nullopt;
  line.remove_prefix(end + 1);
  return inside;
}

bool is_zero(std::string_view text) {
  return text.find_first_not_of("0. ") == std::string_view::npos;
}

class Taker {
 public:
  Taker(const obis::RegisterPlan& plan, std::uint64_t at_byte, std::vector<Fault>& faults)
      : plan_(plan), at_byte_(at_byte), faults_(faults) {}

  void line(std::string_view line) {
    const std::string_view whole = line;
    while (!line.empty())
      if (!set(line)) {
        if (out_.sound) out_.first_bad = whole;
        out_.sound = false;
        return;
      }
    any_line_ = true;
  }
  ReadOut finish() {
    out_.layout = hash_.value();
    return std::move(out_);
  }

 private:
  bool set(std::string_view& line) {
    const std::size_t bracket = line.find('(');
    if (bracket == std::string_view::npos) return false;
    const std::string_view name = line.substr(0, bracket);
    if (name.find(')') != std::string_view::npos) return false;
    line.remove_prefix(bracket);
    std::optional<Group> chosen;
    bool with_unit = false;
    while (!line.empty() && line.front() == '(') {
      const auto inside = take_group(line);
      if (!inside) return false;
      const Group group = split_group(*inside);
      const bool better = !with_unit && !group.unit.empty() && is_number(group.value);
      if (!chosen || better) chosen = group;
      with_unit = with_unit || better;
    }
    hash_.add(name);
    if (name.empty()) return nameless(*chosen);
    take(name, *chosen);
    return true;
  }

  /// Behind other lines it continues one (DSMR 3 writes the gas so); alone it is the meter's error message (IEC
  /// 62056-21, 6.4).
  bool nameless(const Group& group) {
    if (!any_line_ && out_.registers.empty()) out_.message = group.value;
    return true;
  }

  void take(std::string_view name, const Group& group) {
    const auto code = obis::parse_code(name);
    if (!code) return;  // makers have names of their own
    constexpr std::uint8_t errors = 97;
    if (code->c == errors && code->d == errors && !is_zero(group.value)) out_.fatal = group.value;
    obis::Register had{*code, std::nullopt, group.unit};
    if (plan_.wants(*code)) {
      hash_.add_places(group.value);
      hash_.add(group.unit);
      const text::Field field = text::read_field(group.value, false);
      if (field.state == text::FieldState::number) {
        had.value = field.value;
        if (had.unit.empty()) had.unit = field.unit;
      } else if (field.state == text::FieldState::range) {
        fault(FaultKind::range, name, "is out of range: ", group.value);
      } else if (field.state != text::FieldState::none) {
        fault(FaultKind::exception, name, "says ", group.value);
      }
    }
    out_.registers.push_back(had);
  }

  void fault(FaultKind kind, std::string_view name, std::string_view what, std::string_view value) {
    faults_.push_back(
        make_fault(kind, at_byte_, "the register " + quoted(name, 24) + " " + std::string(what) + quoted(value)));
  }

  const obis::RegisterPlan& plan_;
  std::uint64_t at_byte_;
  std::vector<Fault>& faults_;
  ReadOut out_;
  LayoutHash hash_;
  bool any_line_ = false;
};

}  // namespace

ReadOut take_apart(std::string_view lines, const obis::RegisterPlan& plan, std::uint64_t at_byte,
                   std::vector<Fault>& faults) {
  Taker taker(plan, at_byte, faults);
  while (!lines.empty()) {
    const std::size_t end = std::min(lines.find_first_of("\r\n"), lines.size());
    if (end > 0) taker.line(lines.substr(0, end));
    lines.remove_prefix(std::min(end + 1, lines.size()));
  }
  return taker.finish();
}

bool LayoutOfReadOuts::accepts(std::uint64_t layout) {
  if (!believed_ || believed_ == layout || other_ == layout) {
    believed_ = layout;
    other_.reset();
    return true;
  }
  other_ = layout;
  return false;
}

}  // namespace nightwatt::drivers
