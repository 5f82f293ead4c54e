#include <algorithm>
#include <cmath>

#include "context.hpp"
#include "figures/figures.hpp"
#include "figures/shown_power.hpp"
#include "marks.hpp"
#include "measure/run/task_energy.hpp"
#include "measure/signal/time_text.hpp"
#include "process.hpp"
#include "service.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

constexpr int repeat_limit = 1000;
constexpr double usual_settle_s = 30.0;
constexpr double settle_limit_s = 3600.0;
/// Older than this, and nothing is being recorded.
constexpr double stale_s = 60.0;
/// For the last reading to reach the store: the service writes each flush_s, a minute at most as its config allows.
constexpr double arrival_limit_s = 90.0;
constexpr double look_s = 0.1;
constexpr int could_not_start = 126;

struct Plan {
  std::string label;
  int repeats = 1;
  double settle_s = usual_settle_s;
  std::vector<std::string> words;
};

Result<Plan> plan_from(const DuringArguments& arguments) {
  Plan plan;
  plan.label = arguments.label;
  if (auto checked = text::check_text("the label", plan.label, text::name_limit); !checked)
    return tl::unexpected(checked.error());
  if (arguments.times) {
    const auto times = positive_from("-n", *arguments.times);
    if (!times) return tl::unexpected(times.error());
    if (*times != std::floor(*times) || *times > repeat_limit)
      return fail(ErrorKind::input, "-n is " + text::quoted(*arguments.times) + "; give a whole number up to " +
                                        std::to_string(repeat_limit));
    plan.repeats = static_cast<int>(*times);
  }
  if (arguments.settle) {
    const auto settle = positive_from("--settle", *arguments.settle);
    if (!settle) return tl::unexpected(settle.error());
    if (*settle > settle_limit_s)
      return fail(ErrorKind::input, "--settle is " + text::quoted(*arguments.settle) + "; give an hour at most");
    plan.settle_s = *settle;
  }
  plan.words = arguments.command;
  // The shell gets the whole command as one word more, as `sh -c` and a remote shell want it.
  if (arguments.shell)
    plan.words = {"/bin/sh", "-c", "exec " + *arguments.shell + " " + shell_text({shell_text(arguments.command)})};
  return plan;
}

/// What the configuration knows of the meter.
MeterTraits configured_traits(Context& context, const MarkTarget& target) {
  const auto configured = context.configuration();
  if (!configured || *configured == nullptr || !target.meter) return {};
  for (const auto& meter : (*configured)->meters)
    if (meter.name == *target.meter) return meter.profile.traits();
  return {};
}

/// When a reading that came is in the store: the service writes each flush_s, and needs a moment to do it.
double stored_within_s(Context& context) {
  constexpr double writing_s = 0.5;
  const auto configured = context.configuration();
  const bool known = configured && *configured != nullptr;
  return writing_s + (known ? (*configured)->store.flush_s : storage::StoreSettings().flush_s);
}

/// One time it ran, in shown time.
struct Ran {
  UtcTime begin, end;
  double seconds = 0.0;
  int status = 0;
};

class Watch {
 public:
  Watch(Context& context, Plan plan, MarkTarget target) : context_(context), plan_(std::move(plan)), target_(target) {}

  /// The exit status where that is already clear: the command failed, or somebody interrupted.
  Result<std::optional<int>> run() {
    const HeldSignals signals;
    if (const auto stopped = wait(signals, plan_.settle_s)) return stop(*stopped);
    for (int i = 0; i < plan_.repeats; ++i) {
      Ran ran;
      ran.begin = context_.now();
      if (auto marked = mark(i, " begins", ran.begin); !marked) return tl::unexpected(marked.error());
      context_.out.flush();
      const auto ended = run_child(signals, plan_.words, context_.json);
      ran.end = context_.now();
      if (!ended) return tl::unexpected(ended.error());
      ran.seconds = ended->seconds;
      ran.status = ended->status;
      const std::string how = ended->interrupted   ? " was interrupted"
                              : ended->status != 0 ? " failed (status " + std::to_string(ended->status) + ")"
                                                   : " ends";
      if (auto marked = mark(i, how, ran.end); !marked) return tl::unexpected(marked.error());
      ran_.push_back(ran);
      if (ended->interrupted) return stop(*ended->interrupted);
      if (ended->status != 0) return failed(i, ended->status);
      if (const auto stopped = wait(signals, plan_.settle_s)) return stop(*stopped);
    }
    return wait_for_readings(signals);
  }

  [[nodiscard]] Result<TaskEnergy> figures() const {
    const auto store = context_.open_reader();
    if (!store) return tl::unexpected(store.error());
    std::vector<double> times_s, power_w;
    const auto from = record_time(*store, ran_.front().begin - to_duration({plan_.settle_s}));
    const auto to = record_time(*store, ran_.back().end + to_duration({plan_.settle_s}));
    if (!from) return tl::unexpected(from.error());
    if (!to) return tl::unexpected(to.error());
    TaskInput input;
    input.traits = configured_traits(context_, target_);
    storage::RunInfo shown;
    shown.stream = target_.stream;
    shown.traits = input.traits;
    shown.end = *to;  // what a meter that reports on change showed last holds until then
    const auto read = figures::shown_powers(*store, shown, *from, *to, [&](UtcTime at, double power) {
      times_s.push_back(to_seconds(at - *from).value);
      power_w.push_back(power);
      return true;
    });
    if (!read) return tl::unexpected(read.error());
    input.power = {times_s, power_w};
    for (const Ran& ran : ran_) {
      const auto begin = record_time(*store, ran.begin);
      if (!begin) return tl::unexpected(begin.error());
      const double begin_s = to_seconds(*begin - *from).value;
      const double end_s = begin_s + ran.seconds;
      input.repeats.push_back({begin_s - plan_.settle_s, begin_s, end_s, end_s + plan_.settle_s});
    }
    return task_energy(input);
  }

  [[nodiscard]] const Plan& plan() const { return plan_; }
  [[nodiscard]] const std::vector<Ran>& ran() const { return ran_; }
  [[nodiscard]] const MarkTarget& target() const { return target_; }

 private:
  /// The signal that came meanwhile, if one did.
  [[nodiscard]] std::optional<int> wait(const HeldSignals& signals, double seconds) const {
    if (!context_.environment.pass) return signals.wait(seconds);
    context_.environment.pass(seconds);
    return signals.wait(0.0);
  }

  Result<UtcTime> record_time(const storage::StoreReader& store, UtcTime shown) const {
    return instant_of(store, target_, shown, false);
  }

  /// As `mark` does, whether the service runs or not.
  Result<void> mark(int repeat, const std::string& what, UtcTime shown) {
    const auto store = context_.open_reader();
    if (!store) return tl::unexpected(store.error());
    const auto at = record_time(*store, shown);
    if (!at) return tl::unexpected(at.error());
    storage::Mark mark;
    mark.meter = target_.meter;
    mark.run = target_.run;
    mark.at = *at;
    const std::string number =
        plan_.repeats == 1 ? "" : " " + std::to_string(repeat + 1) + "/" + std::to_string(plan_.repeats);
    mark.text = plan_.label + number + what;
    return put_mark(context_, mark);
  }

  Result<std::optional<int>> stop(int signal) {
    context_.err.write("nightwatt: interrupted; the marks that were set stay, there is no figure\n");
    return std::optional(128 + signal);
  }

  Result<std::optional<int>> failed(int repeat, int status) {
    const std::string why = status == 127               ? "the command was not found"
                            : status == could_not_start ? "the command cannot be run"
                                                        : "the command failed with status " + std::to_string(status);
    context_.err.write("nightwatt: " + why +
                       (plan_.repeats > 1 ? " the " + std::to_string(repeat + 1) + ". time" : "") +
                       "; there is no figure of a task that was not done\n");
    return std::optional(status);
  }

  Result<std::optional<int>> wait_for_readings(const HeldSignals& signals) {
    const auto store = context_.open_reader();
    if (!store) return tl::unexpected(store.error());
    const auto wanted = record_time(*store, ran_.back().end + to_duration({plan_.settle_s}));
    if (!wanted) return tl::unexpected(wanted.error());
    // No reading need come of a meter that says nothing while it shows the same: one that came is stored by then.
    const MeterTraits known = configured_traits(context_, target_);
    if (known.on_change) {
      if (const auto stopped = wait(signals, stored_within_s(context_))) return stop(*stopped);
      return std::optional<int>();
    }
    for (double waited = 0.0; waited < arrival_limit_s; waited += look_s) {
      const auto last = store->last_reading(target_.stream);
      if (!last) return tl::unexpected(last.error());
      if (*last && (*last)->time >= *wanted) return std::optional<int>();
      if (const auto stopped = wait(signals, look_s)) return stop(*stopped);
    }
    return fail(ErrorKind::unusable, "no reading came after the command for " + duration_text({arrival_limit_s}) +
                                         "; nightwatt status says how the meter is");
  }

  Context& context_;
  Plan plan_;
  MarkTarget target_;
  std::vector<Ran> ran_;
};

bool is_recording(Context& context, const std::string& meter) {
  const auto service = service_status(context);
  return service && std::any_of(service->meters.begin(), service->meters.end(), [&](const MeterState& known) {
           return known.name == meter && known.state == "recording";
         });
}

Result<MarkTarget> recorded_meter(Context& context, const MaybeWord& meter) {
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  auto target = mark_target(*store, std::nullopt, meter);
  if (!target) return target;
  const auto last = store->last_reading(target->stream);
  if (!last) return tl::unexpected(last.error());
  const auto now = instant_of(*store, *target, context.now(), false);
  if (!now) return tl::unexpected(now.error());
  if (*last && to_seconds(*now - (*last)->time).value <= stale_s) return target;
  // A meter that reports on change says nothing while it shows the same: then the service knows whether it is there.
  const MeterTraits traits = configured_traits(context, *target);
  const bool holds =
      *last && traits.on_change && to_seconds(*now - (*last)->time).value <= traits.gap_s.value_or(stale_s);
  if (!holds || !is_recording(context, target->meter.value_or("")))
    return fail(ErrorKind::unusable, "meter " + text::quoted(target->meter.value_or("")) +
                                         " is not being recorded, so the command was not run; start nightwattd "
                                         "(nightwatt status says how it is)");
  return target;
}

void write_json(Context& context, const Watch& watch, const TaskEnergy& energy) {
  JsonWriter json(context.out);
  json.begin_document().field("label", watch.plan().label).field("meter", watch.target().meter);
  json.key("command").begin_array();
  for (const std::string& word : watch.plan().words) json.value(word);
  json.end_array();
  const auto figure = [&](const std::string& name, const std::string& unit, const Figure& of) {
    json.field(name + unit, of.value).field(name + "_uncertainty" + unit, of.uncertainty);
  };
  figure("energy_above_idle", "_wh", energy.above_idle_wh);
  figure("time", "_s", energy.seconds);
  figure("mean_above_idle", "_w", energy.mean_above_idle_w);
  figure("idle", "_w", energy.idle_w);
  json.key("repeats").begin_array();
  for (std::size_t i = 0; i < energy.repeats.size(); ++i) {
    const TaskRepeat& one = energy.repeats[i];
    json.line_break().begin_object().field("begin", watch.ran()[i].begin).field("end", watch.ran()[i].end);
    json.field("status", watch.ran()[i].status).field("time_s", one.seconds).field("energy_wh", one.energy_wh);
    json.field("idle_w", one.idle_w).field("energy_above_idle_wh", one.above_idle_wh);
    json.field("mean_above_idle_w", one.mean_above_idle_w).end_object();
  }
  json.end_array().key("warnings").begin_array();
  for (const std::string& warning : energy.warnings) json.value(warning);
  json.end_array().end_object();
  context.out.write("\n");
}

void write_people(Context& context, const Watch& watch, const TaskEnergy& energy) {
  const std::size_t times = energy.repeats.size();
  const Figure joules{energy.above_idle_wh.value * 3600.0, energy.above_idle_wh.uncertainty * 3600.0};
  context.out.write(toned(context.style, Tone::strong, text::printable(watch.plan().label)) + ": " +
                    figure_text(energy.above_idle_wh, "Wh") + " above idle" +
                    (times > 1 ? " each time, " + std::to_string(times) + " times" : std::string()) + "\n");
  context.out.write("  that is     " + figure_text(joules, "J") + "\n");
  context.out.write("  time        " + figure_text(energy.seconds, "s") + "\n");
  context.out.write("  mean power  " + figure_text(energy.mean_above_idle_w, "W") + " above idle\n");
  context.out.write("  idle        " + figure_text(energy.idle_w, "W") + ", meter's accuracy left out\n");
  if (times > 1) {
    Table table;
    table.column("began", Table::Align::left);
    for (const char* title : {"time", "energy", "above idle", "idle"}) table.column(title, Table::Align::right);
    for (std::size_t i = 0; i < times; ++i) {
      const TaskRepeat& one = energy.repeats[i];
      table.row({{local_text(watch.ran()[i].begin)},
                 {number_text(one.seconds, "s")},
                 {number_text(one.energy_wh * 3600.0, "J")},
                 {number_text(one.above_idle_wh * 3600.0, "J")},
                 {number_text(one.idle_w, "W")}});
    }
    table.write(context.out, context.style);
  }
  for (const std::string& warning : energy.warnings)
    context.out.write("  " + toned(context.style, Tone::yellow, "warning:") + " " + warning + "\n");
}

}  // namespace

Outcome run(Context& context, const DuringArguments& arguments) {
  auto plan = plan_from(arguments);
  if (!plan) return tl::unexpected(plan.error());
  auto target = recorded_meter(context, arguments.meter);
  if (!target) return tl::unexpected(target.error());
  Watch watch(context, std::move(*plan), std::move(*target));
  const auto status = watch.run();
  context.err.flush();
  if (!status) return tl::unexpected(status.error());
  if (*status) return **status;
  const auto energy = watch.figures();
  if (!energy) return tl::unexpected(energy.error());
  context.json ? write_json(context, watch, *energy) : write_people(context, watch, *energy);
  return 0;
}

}  // namespace nightwatt::query
