#include "measure/history/recognition.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

namespace nightwatt {

namespace {

/// What is believed of features before any run was named: by how much (standard deviations of the logarithm) they
/// differ from night to night and between devices, and the middle of devices. Orders of magnitude, our own choice.
struct Belief {
  double night, device, middle;
};
constexpr std::array<Belief, feature_count> beliefs = {{
    {0.03, 1.3, 3.0},   // idle: about 20 W
    {0.06, 1.5, 0.0},   // standby: about 1 W
    {0.04, 1.3, 4.0},   // load: about 55 W
    {0.06, 1.3, 3.7},   // second load
    {0.30, 1.3, -1.0},  // scatter of idle: some tenths of a watt
    {0.30, 1.3, 0.0},   // and of the load
    {0.15, 0.7, 3.5},   // boot: about half a minute
    {0.15, 1.5, -1.5},  // and its energy, some tenths of a watt-hour
    {0.50, 1.0, 4.0},   // settling: about a minute
}};
/// The belief about nights counts as so many nights, that about devices as so many devices.
constexpr double nights_believed = 6.0, devices_believed = 4.0;
/// A device never seen is anybody, or it is like one that is known: farther from it than its nights are by these
/// factors, as a standard deviation. Which, the known devices tell; before that one device in nine is believed to be
/// like another.
constexpr std::array<double, likeness_count> likeness = {1.0, 2.0, 4.0, 8.0};
constexpr double likeness_believed = 0.5 / static_cast<double>(likeness_count);  // devices, for each
/// Levels of one device go together: idle of a server is more than load of a board.
constexpr double level_together = 0.8;
/// Nights have heavier tails than normal ones: no more degrees of freedom than this (our own choice).
constexpr double most_degrees_of_freedom = 40.0;
/// A device's own scatter counts beside the common one as if that were known from so many nights.
constexpr double scale_believed = 6.0;
/// A run never seen before: between these, whatever the named runs say (our own choice).
constexpr double least_never_seen = 0.2, most_never_seen = 0.8;
constexpr std::size_t least_features = 2;
/// A display moves a level by up to half a step; scatter below a third of a step is the display's.
constexpr double display_scatter = 0.3;

bool is_level(std::size_t i) {
  return i <= static_cast<std::size_t>(Feature::second_load);
}

double length_s(const Segment& segment) {
  return to_seconds(segment.end - segment.begin).value;
}

/// Reads the features off a run's segments.
class Reader {
 public:
  Reader(std::span<const Segment> segments, std::span<const Regime> regimes, double step_w)
      : segments_(segments), regimes_(regimes), step_w_(step_w) {}

  RunFeatures read() {
    const std::size_t idle = longest(SegmentKind::idle), standby = longest(SegmentKind::standby);
    level(Feature::idle, idle);
    level(Feature::standby, standby);
    const auto [load, second] = loads();
    level(Feature::load, load);
    level(Feature::second_load, second);
    scatter(Feature::idle_scatter, idle);
    scatter(Feature::load_scatter, load);
    boot();
    if (load != none && segments_[load].settling_s && *segments_[load].settling_s > 0.0)
      put(Feature::settling, *segments_[load].settling_s, 0.2 * *segments_[load].settling_s);
    return out_;
  }

 private:
  static constexpr std::size_t none = static_cast<std::size_t>(-1);

  void put(Feature feature, double value, double standard_deviation) {
    if (!(value > 0.0) || !std::isfinite(standard_deviation)) return;
    const auto i = static_cast<std::size_t>(feature);
    out_.value[i] = std::log(value);
    out_.standard_deviation[i] = standard_deviation / value;
  }

  [[nodiscard]] std::size_t longest(SegmentKind kind) const {
    std::size_t best = none;
    for (std::size_t i = 0; i < segments_.size(); ++i)
      if (segments_[i].kind == kind && segments_[i].level_w &&
          (best == none || length_s(segments_[i]) > length_s(segments_[best])))
        best = i;
    return best;
  }

  /// The highest plateau held for a minute, and the highest that is a tenth below it.
  [[nodiscard]] std::pair<std::size_t, std::size_t> loads() const {
    constexpr double held_s = 60.0, apart = 0.9;
    std::size_t load = none, second = none;
    const auto wanted = [&](const Segment& s) {
      return s.kind == SegmentKind::plateau && s.level_w && length_s(s) >= held_s;
    };
    for (std::size_t i = 0; i < segments_.size(); ++i)
      if (wanted(segments_[i]) && (load == none || *segments_[i].level_w > *segments_[load].level_w)) load = i;
    for (std::size_t i = 0; i < segments_.size(); ++i)
      if (wanted(segments_[i]) && *segments_[i].level_w < apart * *segments_[load].level_w &&
          (second == none || *segments_[i].level_w > *segments_[second].level_w))
        second = i;
    return {load, second};
  }

  void level(Feature feature, std::size_t i) {
    if (i == none) return;
    const Segment& segment = segments_[i];
    put(feature, *segment.level_w,
        segment.parts ? segment.parts->standard_w() : 0.5 * segment.uncertainty_w.value_or(0.0));
  }

  void scatter(Feature feature, std::size_t i) {
    if (i == none || i >= regimes_.size()) return;
    const double standard_deviation_w = regimes_[i].digest().standard_deviation_w;
    if (standard_deviation_w > display_scatter * step_w_)
      put(feature, standard_deviation_w, 0.1 * standard_deviation_w);
  }

  /// From off or standby, or the run's begin, through what is unsteady or on its way, to the first level held.
  void boot() {
    for (std::size_t i = 0; i + 1 < segments_.size(); ++i) {
      if (i > 0 && segments_[i - 1].kind != SegmentKind::off && segments_[i - 1].kind != SegmentKind::standby) continue;
      std::size_t end = i;
      double energy_wh = 0.0;
      while (end < segments_.size() &&
             (segments_[end].kind == SegmentKind::unsteady || segments_[end].kind == SegmentKind::ramp))
        energy_wh += segments_[end++].energy_wh.value_or(0.0);
      if (end == i || end == segments_.size() || !segments_[end].level_w || segments_[end].kind == SegmentKind::off)
        continue;
      // Of a run that begins with it the first seconds are not there.
      if (i == 0) return;
      const double s = to_seconds(segments_[end].begin - segments_[i].begin).value;
      put(Feature::boot_length, s, 3.0);  // seconds: where irregular work ends is a matter of taste
      put(Feature::boot_energy, energy_wh, energy_wh * 3.0 / std::max(3.0, s));
      return;
    }
  }

  std::span<const Segment> segments_;
  std::span<const Regime> regimes_;
  const double step_w_;
  RunFeatures out_;
};

/// What is known of pairs of features, added up from runs that have both.
struct Products {
  Matrix sum{feature_count, feature_count}, weight{feature_count, feature_count};
  /// `degrees_of_freedom`: of one product; those about a mean of n are as good as (n - 1) / n.
  void add(const std::array<std::optional<double>, feature_count>& off, double degrees_of_freedom) {
    for (std::size_t a = 0; a < feature_count; ++a)
      for (std::size_t b = 0; b < feature_count; ++b)
        if (off[a] && off[b]) {
          sum(a, b) += *off[a] * *off[b];
          weight(a, b) += degrees_of_freedom;
        }
  }
  /// With what is believed as if seen `believed` times; made a covariance by weakening what pairs have in common, where
  /// pairs that were seen in different runs contradict one another.
  [[nodiscard]] Matrix covariance(const Matrix& belief, double believed) const {
    Matrix all(feature_count, feature_count);
    for (std::size_t a = 0; a < feature_count; ++a)
      for (std::size_t b = 0; b < feature_count; ++b)
        all(a, b) = (believed * belief(a, b) + sum(a, b)) / (believed + weight(a, b));
    constexpr double weaker = 0.9;
    constexpr int rounds = 60;  // 0.9^60: nothing is left in common
    for (int i = 0; i < rounds && !cholesky(all); ++i)
      for (std::size_t a = 0; a < feature_count; ++a)
        for (std::size_t b = 0; b < feature_count; ++b)
          if (a != b) all(a, b) *= weaker;
    return all;
  }
};

Matrix believed_nights() {
  std::vector<double> variances;
  for (const Belief& belief : beliefs) variances.push_back(belief.night * belief.night);
  return Matrix::diagonal(variances);
}

Matrix believed_devices() {
  Matrix all(feature_count, feature_count);
  for (std::size_t a = 0; a < feature_count; ++a)
    for (std::size_t b = 0; b < feature_count; ++b)
      all(a, b) = beliefs[a].device * beliefs[b].device *
                  (a == b                       ? 1.0
                   : is_level(a) && is_level(b) ? level_together
                                                : 0.0);
  return all;
}

}  // namespace

std::string_view feature_name(Feature feature) {
  constexpr std::array<std::string_view, feature_count> names = {"idle",        "standby",         "load",
                                                                 "second load", "scatter of idle", "scatter of load",
                                                                 "boot length", "boot energy",     "settling"};
  return names[static_cast<std::size_t>(feature)];
}

std::size_t RunFeatures::known() const {
  return static_cast<std::size_t>(
      std::count_if(value.begin(), value.end(), [](const auto& v) { return v.has_value(); }));
}

RunFeatures features_of(std::span<const Segment> segments, std::span<const Regime> regimes, double step_w) {
  return Reader(segments, regimes, step_w).read();
}

Recogniser::Recogniser(std::vector<KnownDevice> devices) : devices_(std::move(devices)) {
  double runs = 0.0, once = 0.0;
  for (KnownDevice& device : devices_) {
    if (device.runs.size() > most_runs_known)
      device.runs.erase(device.runs.begin(), device.runs.end() - static_cast<std::ptrdiff_t>(most_runs_known));
    Centre centre;
    centre.all = static_cast<double>(device.runs.size());
    for (const RunFeatures& run : device.runs)
      for (std::size_t f = 0; f < feature_count; ++f)
        if (run.value[f]) {
          centre.mean[f] += *run.value[f];
          centre.runs[f] += 1.0;
        }
    for (std::size_t f = 0; f < feature_count; ++f)
      if (centre.runs[f] > 0.0) centre.mean[f] /= centre.runs[f];
    centres_.push_back(centre);
    runs += centre.all;
    once += device.runs.size() == 1 ? 1.0 : 0.0;
  }
  // How often a new run was a device's first, as far as those that came once tell (Good 1953, from memory).
  never_seen_ = std::clamp((once + 1.0) / (runs + 2.0), least_never_seen, most_never_seen);
  learn_nights();
  learn_scales();
  learn_devices();
  learn_likeness();
}

void Recogniser::learn_nights() {
  Products seen;
  double degrees_of_freedom = 0.0;
  for (std::size_t d = 0; d < devices_.size(); ++d) {
    const double n = centres_[d].all;
    if (n < 2.0) continue;
    degrees_of_freedom += n - 1.0;
    for (const RunFeatures& run : devices_[d].runs) {
      std::array<std::optional<double>, feature_count> off;
      for (std::size_t f = 0; f < feature_count; ++f)
        if (run.value[f] && centres_[d].runs[f] > 1.0) off[f] = *run.value[f] - centres_[d].mean[f];
      seen.add(off, (n - 1.0) / n);
    }
  }
  nights_ = seen.covariance(believed_nights(), nights_believed);
  nights_degrees_of_freedom_ = std::min(most_degrees_of_freedom, nights_believed + degrees_of_freedom);
}

void Recogniser::learn_scales() {
  for (std::size_t d = 0; d < devices_.size(); ++d) {
    Centre& centre = centres_[d];
    double distance = 0.0, degrees_of_freedom = 0.0;
    for (const RunFeatures& run : devices_[d].runs) {
      std::vector<std::size_t> there;
      for (std::size_t f = 0; f < feature_count; ++f)
        if (run.value[f] && centre.runs[f] > 1.0) there.push_back(f);
      if (there.empty()) continue;
      Matrix part(there.size(), there.size());
      std::vector<double> off;
      for (std::size_t a = 0; a < there.size(); ++a) {
        off.push_back(*run.value[there[a]] - centre.mean[there[a]]);
        for (std::size_t b = 0; b < there.size(); ++b) part(a, b) = nights_(there[a], there[b]);
      }
      const auto triangle = cholesky(part);
      if (!triangle) continue;
      const std::vector<double> white = half_solve(*triangle, off);
      distance += std::inner_product(white.begin(), white.end(), white.begin(), 0.0);
      degrees_of_freedom += static_cast<double>(there.size()) * (centre.all - 1.0) / centre.all;
    }
    centre.scale = (scale_believed + distance) / (scale_believed + degrees_of_freedom);
  }
}

void Recogniser::learn_devices() {
  Products seen;
  const Matrix belief = believed_devices();
  for (std::size_t f = 0; f < feature_count; ++f) {
    double sum = devices_believed * beliefs[f].middle, weight = devices_believed;
    for (const Centre& centre : centres_) {
      anyone_.runs[f] += centre.runs[f] > 0.0 ? 1.0 : 0.0;
      if (centre.runs[f] > 0.0) {
        sum += centre.mean[f];
        weight += 1.0;
      }
    }
    anyone_.mean[f] = sum / weight;
  }
  anyone_.all = static_cast<double>(centres_.size());
  for (const Centre& centre : centres_) {
    std::array<std::optional<double>, feature_count> off;
    for (std::size_t f = 0; f < feature_count; ++f)
      if (centre.runs[f] > 0.0) off[f] = centre.mean[f] - anyone_.mean[f];
    seen.add(off, 1.0);
  }
  anyone_covariance_ = seen.covariance(belief, devices_believed);
}

/// How alike devices are, from each device beside all others: weights of a mixture by expectation and maximisation
/// (Dempster, Laird & Rubin 1977), what is believed counting as devices.
void Recogniser::learn_likeness() {
  anybody_ = devices_believed / (devices_believed + likeness_count * likeness_believed);
  alike_.fill((1.0 - anybody_) / likeness_count);
  if (centres_.size() < 2) return;
  std::vector<std::array<double, likeness_count + 1>> logs;
  for (const Centre& centre : centres_) {
    const RunFeatures middle = centre.as_run();
    logs.emplace_back();
    for (std::size_t s = 0; s < likeness_count; ++s)
      logs.back()[s] = log_like_known(middle, centre.runs, likeness[s], &centre);
    logs.back()[likeness_count] = log_density(middle, anyone_, anyone_covariance_, devices_believed + 1.0, {});
  }
  constexpr int rounds = 30;
  for (int i = 0; i < rounds; ++i) {
    std::array<double, likeness_count + 1> count{};
    count.fill(likeness_believed);
    count[likeness_count] = devices_believed;
    for (const auto& log : logs) {
      const double most = *std::max_element(log.begin(), log.end());
      std::array<double, likeness_count + 1> share{};
      for (std::size_t s = 0; s <= likeness_count; ++s)
        share[s] = (s < likeness_count ? alike_[s] : anybody_) * std::exp(log[s] - most);
      const double sum = std::accumulate(share.begin(), share.end(), 0.0);
      for (std::size_t s = 0; s <= likeness_count; ++s) count[s] += share[s] / sum;
    }
    const double all = std::accumulate(count.begin(), count.end(), 0.0);
    for (std::size_t s = 0; s < likeness_count; ++s) alike_[s] = count[s] / all;
    anybody_ = count[likeness_count] / all;
  }
}

/// Of a device `factor` times as far from a known one as that one's nights are, whichever it is; `nights` of the mean
/// that is looked at, of a single run one of each. `itself` is not counted.
double Recogniser::log_like_known(const RunFeatures& run, const std::array<double, feature_count>& nights,
                                  double factor, const Centre* itself) const {
  std::vector<double> logs;
  for (const Centre& centre : centres_)
    if (&centre != itself)
      logs.push_back(log_density(run, centre, nights_, nights_degrees_of_freedom_, {nights, factor * factor}) +
                     (itself ? 0.0 : log_presence(run, centre)));
  const double most = *std::max_element(logs.begin(), logs.end());
  double sum = 0.0;
  for (const double one : logs) sum += std::exp(one - most);
  return most + std::log(sum / static_cast<double>(logs.size()));
}

RunFeatures Recogniser::Centre::as_run() const {
  RunFeatures middle;
  for (std::size_t f = 0; f < feature_count; ++f)
    if (runs[f] > 0.0) middle.value[f] = mean[f];
  return middle;
}

/// Student's t in as many dimensions as both sides have; a feature the device never had counts as anyone's.
double Recogniser::log_density(const RunFeatures& run, const Centre& centre, const Matrix& covariance,
                               double degrees_of_freedom, const Beside& beside) const {
  std::vector<std::size_t> there;
  for (std::size_t f = 0; f < feature_count; ++f)
    if (run.value[f]) there.push_back(f);
  const std::size_t p = there.size();
  Matrix part(p, p);
  std::vector<double> off;
  const bool anyone = &centre == &anyone_;
  for (std::size_t a = 0; a < p; ++a) {
    const std::size_t f = there[a];
    const bool own = anyone || centre.runs[f] > 0.0;
    off.push_back(*run.value[f] - (own ? centre.mean[f] : anyone_.mean[f]));
    for (std::size_t b = 0; b < p; ++b) {
      const std::size_t g = there[b];
      const bool both = own && (anyone || centre.runs[g] > 0.0);
      if (both)
        part(a, b) = covariance(f, g) * (anyone ? 1.0
                                                : centre.scale * (1.0 / std::sqrt(beside.nights[f] * beside.nights[g]) +
                                                                  1.0 / std::sqrt(centre.runs[f] * centre.runs[g])) +
                                                      beside.apart);
      else if (a == b)
        part(a, b) = anyone_covariance_(f, f);
    }
    part(a, a) += run.standard_deviation[f] * run.standard_deviation[f];
  }
  const auto triangle = cholesky(part);
  if (!triangle) return -1e300;
  const std::vector<double> white = half_solve(*triangle, off);
  const double distance = std::inner_product(white.begin(), white.end(), white.begin(), 0.0);
  const auto d = static_cast<double>(p);
  return std::lgamma(0.5 * (degrees_of_freedom + d)) - std::lgamma(0.5 * degrees_of_freedom) -
         0.5 * d * std::log(degrees_of_freedom * M_PI) - 0.5 * log_determinant(*triangle) -
         0.5 * (degrees_of_freedom + d) * std::log1p(distance / degrees_of_freedom);
}

/// That a run has just these features: a standby that was never seen may be there tonight, and the other way round.
double Recogniser::log_presence(const RunFeatures& run, const Centre& centre) const {
  double sum = 0.0;
  for (const Feature feature : {Feature::standby, Feature::load, Feature::second_load}) {
    const auto f = static_cast<std::size_t>(feature);
    const double share = (centre.runs[f] + 0.5) / (centre.all + 1.0);
    sum += std::log(run.value[f] ? share : 1.0 - share);
  }
  return sum;
}

double Recogniser::log_never_seen(const RunFeatures& run) const {
  std::array<double, likeness_count + 1> logs{};
  for (std::size_t s = 0; s < likeness_count; ++s)
    logs[s] = std::log(alike_[s]) + log_like_known(run, one_night, likeness[s], nullptr);
  logs[likeness_count] = std::log(anybody_) +
                         log_density(run, anyone_, anyone_covariance_, devices_believed + 1.0, {}) +
                         log_presence(run, anyone_);
  const double most = *std::max_element(logs.begin(), logs.end());
  double sum = 0.0;
  for (const double one : logs) sum += std::exp(one - most);
  return most + std::log(sum);
}

Recognition Recogniser::recognise(const RunFeatures& run) const {
  Recognition result;
  if (devices_.empty() || run.known() < least_features) return result;
  std::vector<double> logs;
  const double each = (1.0 - never_seen_) / static_cast<double>(devices_.size());
  for (const Centre& centre : centres_)
    logs.push_back(std::log(each) + log_density(run, centre, nights_, nights_degrees_of_freedom_, {}) +
                   log_presence(run, centre));
  const double none = std::log(never_seen_) + log_never_seen(run);
  const double most = std::max(none, *std::max_element(logs.begin(), logs.end()));
  double sum = std::exp(none - most);
  for (const double one : logs) sum += std::exp(one - most);
  result.none = std::exp(none - most) / sum;
  for (std::size_t d = 0; d < logs.size(); ++d) result.devices.push_back({d, std::exp(logs[d] - most) / sum});
  std::stable_sort(result.devices.begin(), result.devices.end(),
                   [](const Recognised& a, const Recognised& b) { return a.posterior > b.posterior; });
  return result;
}

}  // namespace nightwatt
