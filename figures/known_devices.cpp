#include "figures/known_devices.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "measure/signal/digits.hpp"

namespace nightwatt::figures {
namespace {

/// Odds below this are not worth a line.
constexpr double least_posterior = 0.001;

Result<RunFeatures> features(const storage::StoreReader& store, const storage::RunInfo& info) {
  const auto record = run_record(store, info);
  if (!record) return tl::unexpected(record.error());
  return features_of(record->segments, record->regimes, record->step_w);
}

}  // namespace

const std::string* Proposal::device() const {
  return posterior() >= propose_from ? &devices.front().first : nullptr;
}

bool wants_name(const storage::RunInfo& run) {
  return !run.device && run.end && run.origin != storage::RunOrigin::entered;
}

Result<KnownDevices> KnownDevices::of(const storage::StoreReader& store) {
  const auto list = store.run_list();
  if (!list) return tl::unexpected(list.error());
  bool is_whole = list->is_whole && list->damaged.empty();
  std::map<std::string, std::vector<const storage::RunInfo*>> named;
  for (const storage::RunInfo& run : list->sound)
    if (run.device && run.end && run.origin != storage::RunOrigin::entered) named[*run.device].push_back(&run);
  std::vector<KnownDevice> devices;
  for (const auto& [name, all] : named) {
    KnownDevice device{name, {}};
    for (std::size_t i = all.size() > most_runs_known ? all.size() - most_runs_known : 0; i < all.size(); ++i) {
      if (auto read = features(store, *all[i]))
        device.runs.push_back(*read);
      else
        is_whole = false;
    }
    if (!device.runs.empty()) devices.push_back(std::move(device));
  }
  return KnownDevices(Recogniser(std::move(devices)), is_whole);
}

Result<Proposal> KnownDevices::propose(const storage::StoreReader& store, const storage::RunInfo& run) const {
  const auto read = features(store, run);
  if (!read) return tl::unexpected(read.error());
  const Recognition found = recogniser_.recognise(*read);
  Proposal proposal;
  proposal.run = run.id;
  proposal.none = found.none;
  for (const Recognised& one : found.devices)
    if (proposal.devices.empty() || one.posterior >= least_posterior)
      proposal.devices.emplace_back(recogniser_.devices()[one.device].name, one.posterior);
  return proposal;
}

Result<std::optional<Proposal>> name_if_sure(storage::StoreWriter& store, const storage::RunInfo& run) {
  const auto known = KnownDevices::of(store.reader());
  if (!known) return tl::unexpected(known.error());
  // What is left out may be of the very device that this one looks like.
  if (known->empty() || !known->is_whole()) return std::nullopt;
  auto proposal = known->propose(store.reader(), run);
  if (!proposal) return tl::unexpected(proposal.error());
  if (!(proposal->posterior() > name_from)) return std::nullopt;
  const std::string& device = proposal->devices.front().first;
  storage::Mark note;
  note.run = run.id;
  note.at = run.begin;
  note.text = "named by itself: " + device + ", odds " + posterior_text(proposal->posterior());
  if (auto begun = store.begin(); !begun) return tl::unexpected(begun.error());
  auto done = store.apply(storage::NameRun{run.id, device});
  if (done) done = store.apply(note);
  if (done) done = store.commit();
  if (done) return std::move(*proposal);
  store.rollback();
  return tl::unexpected(done.error());
}

std::string posterior_text(double posterior) {
  const double percent = std::clamp(100.0 * posterior, 0.0, 99.9);  // nothing is ever sure
  return digits_of(std::floor(percent * 10.0 + 1e-9) / 10.0, std::chars_format::fixed, 1) + " %";
}

}  // namespace nightwatt::figures
