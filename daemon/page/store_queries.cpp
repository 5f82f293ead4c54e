#include "store_queries.hpp"

#include <algorithm>

#include "figures/run_figures.hpp"
#include "messages.hpp"

namespace nightwatt::daemon::page {

bool StoreQueries::ask(Question question) {
  const std::lock_guard lock(mutex_);
  if (stopped_ || questions_.size() >= job_limit) return false;
  questions_.push_back(std::move(question));
  if (!thread_.joinable()) thread_ = std::thread([this] { work(); });
  wake_.notify_one();
  return true;
}

void StoreQueries::stop() {
  {
    const std::lock_guard lock(mutex_);
    stopped_ = true;
    questions_.clear();
    wake_.notify_one();
  }
  if (thread_.joinable()) thread_.join();
}

void StoreQueries::work() {
  for (;;) {
    Question question;
    {
      std::unique_lock lock(mutex_);
      wake_.wait(lock, [this] { return stopped_ || !questions_.empty(); });
      if (stopped_) return;
      question = std::move(questions_.front());
      questions_.pop_front();
    }
    question(reader());
  }
}

// A connection that no longer works says so at once when it is asked for the streams, and is made anew; so is one to a
// file that no longer lies at the path.
Result<const storage::StoreReader*> StoreQueries::reader() {
  if (reader_ && (reader_->moved() || !reader_->streams())) reader_.reset();
  if (!reader_) {
    auto opened = storage::StoreReader::open(path_);
    if (!opened) return tl::unexpected(opened.error());
    reader_.emplace(std::move(*opened));
  }
  return &*reader_;
}

namespace {

Result<std::vector<OpenRun::MarkLine>> marks_of(const storage::StoreReader& store, storage::RunId run,
                                                const Calendar& calendar) {
  const auto marks = store.marks(run);
  if (!marks) return tl::unexpected(marks.error());
  std::vector<OpenRun::MarkLine> lines;
  for (const storage::Mark& mark : *marks) lines.push_back({calendar.shown(mark.at), mark.text, mark.kind});
  std::stable_sort(lines.begin(), lines.end(), [](const auto& a, const auto& b) { return a.at < b.at; });
  if (lines.size() > listed_marks) lines.erase(lines.begin(), lines.end() - listed_marks);
  return lines;
}

Result<OpenRun> open_run(const storage::StoreReader& store, const storage::RunInfo& info) {
  const auto figures = figures::run_figures(store, info.id);
  if (!figures) return tl::unexpected(figures.error());
  OpenRun run;
  run.run = info.id;
  run.meter = info.meter.value_or("");
  run.device = info.device;
  run.note = info.note;
  run.begin = figures->calendar.shown(info.begin);
  run.energy_wh = figures->totals.energy_wh();
  run.so_far = shown_figures(summarise(figures->segments, figures->totals, figures->segment_warnings,
                                       figures->clock_steps, {figures->step_w, figures->info.traits.accuracy}));
  if (!figures->segments.empty()) {
    const Segment& last = figures->segments.back();
    run.kind = last.kind;
    run.kind_since = figures->calendar.shown(last.begin);
    run.level_w = last.level_w;
    run.uncertainty_w = last.uncertainty_w;
    run.settling = last.settling_unfinished;
  }
  auto marks = marks_of(store, info.id, figures->calendar);
  if (!marks) return tl::unexpected(marks.error());
  run.marks = std::move(*marks);
  return run;
}

}  // namespace

Result<std::vector<OpenRun>> open_runs(const storage::StoreReader& store) {
  const auto snapshot = store.snapshot();
  if (!snapshot) return tl::unexpected(snapshot.error());
  const auto runs = store.run_list();
  if (!runs) return tl::unexpected(runs.error());
  std::vector<OpenRun> open;
  for (const storage::RunInfo& info : runs->sound) {
    if (info.end || !info.meter || info.origin == storage::RunOrigin::entered) continue;
    auto run = open_run(store, info);
    if (!run) return tl::unexpected(run.error());
    open.push_back(std::move(*run));
  }
  return open;
}

Result<std::string> run_list(const storage::StoreReader& store) {
  const auto snapshot = store.snapshot();
  if (!snapshot) return tl::unexpected(snapshot.error());
  auto list = store.run_list();
  if (!list) return tl::unexpected(list.error());
  const std::vector<storage::RunInfo>& runs = list->sound;
  std::vector<Calendar> calendars(runs.size());
  for (std::size_t i = runs.size() - std::min(runs.size(), listed_runs); i < runs.size(); ++i) {
    const storage::RunInfo& run = runs[i];
    if (run.stream == 0) continue;
    auto calendar = store.calendar(run.stream, run.begin, run.end.value_or(run.begin));
    if (!calendar) return tl::unexpected(calendar.error());
    calendars[i] = std::move(*calendar);
  }
  return runs_json(runs, calendars);
}

}  // namespace nightwatt::daemon::page
