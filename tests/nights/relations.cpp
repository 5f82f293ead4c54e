#include "relations.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "random.hpp"

namespace nightwatt::nights {

namespace {

using Readings = std::vector<std::pair<std::int64_t, double>>;

std::int64_t microseconds(double s) {
  return std::llround(s * 1e6);
}

Retold part(const Night& night, double from_s, double to_s) {
  Retold retold{cropped(night.plan, from_s, to_s), {}, 1.0};
  for (const auto& [us, power_w] : night.readings)
    if (us >= microseconds(from_s) && us < microseconds(to_s)) retold.readings.emplace_back(us, power_w);
  return retold;
}

std::vector<Retold> halves(const Night& night) {
  const double all_s = length_s(night.plan), middle_s = 0.5 * all_s;
  return {part(night, 0.0, middle_s), part(night, middle_s, all_s)};
}

std::vector<Retold> twice(const Night& night) {
  Retold retold{night.plan, night.readings, 1.0};
  retold.plan.acts.insert(retold.plan.acts.end(), night.plan.acts.begin(), night.plan.acts.end());
  const std::int64_t later =
      night.readings.back().first - night.readings.front().first + microseconds(night.plan.meter.interval_s);
  for (const auto& [us, power_w] : night.readings) retold.readings.emplace_back(us + later, power_w);
  return {retold};
}

std::vector<Retold> thinned(const Night& night) {
  Retold retold{night.plan, {}, 1.0};
  retold.plan.meter.interval_s *= 2.0;
  for (std::size_t i = 0; i < night.readings.size(); i += 2) retold.readings.push_back(night.readings[i]);
  return {retold};
}

std::vector<Retold> one_in_fifty_lost(const Night& night) {
  Random random(night.seed + 50);
  Retold retold{night.plan, {}, 1.0};
  retold.plan.meter.lost_share += 0.02;
  for (const auto& reading : night.readings)
    if (!random.chance(0.02)) retold.readings.push_back(reading);
  return {retold};
}

/// Each reading a count up or down by chance; what is off stays off. Not where that would make power below zero.
std::vector<Retold> a_step_of_noise(const Night& night) {
  constexpr double least_counts = 4.0;
  for (const Act& act : night.plan.acts)
    if (act.level_w > 0.0 && act.level_w < least_counts * night.plan.meter.step_w) return {};
  Random random(night.seed + 60);
  Retold retold{night.plan, night.readings, 1.0};
  for (auto& [us, power_w] : retold.readings)
    if (power_w > 0.0) power_w = std::max(0.0, power_w + night.plan.meter.step_w * random.whole(-1, 1));
  return {retold};
}

std::vector<Retold> without_the_first_ten(const Night& night) {
  const double from_s = static_cast<double>(night.readings.at(10).first) * 1e-6;
  return {part(night, from_s, length_s(night.plan) + 1.0)};
}

std::vector<Retold> times_two(const Night& night) {
  constexpr double factor = 2.0;
  constexpr double most_standby_w = 15.0;  // what a server's manager draws at most: above it the reading may change
  for (const Act& act : night.plan.acts)
    if (act.kind == Kind::standby && factor * act.level_w > most_standby_w) return {};
  Retold retold{night.plan, night.readings, factor};
  for (auto& reading : retold.readings) reading.second *= factor;
  retold.plan.meter.step_w *= factor;
  for (Act& act : retold.plan.acts) {
    for (double* w : {&act.level_w, &act.end_level_w, &act.settle_w, &act.peak_w, &act.charge_w, &act.noise_w})
      *w *= factor;
    for (auto& step : act.steps) step.second *= factor;
  }
  return {retold};
}

std::string text(const std::optional<Figure>& figure) {
  if (!figure) return "none";
  char line[60];
  std::snprintf(line, sizeof line, "%.4f +- %.4f", figure->value, figure->uncertainty);
  return line;
}

bool moves(const std::optional<Figure>& whole, const std::optional<Figure>& other, double factor,
           double truth_moves_w) {
  if (whole.has_value() != other.has_value()) return true;
  if (!whole) return false;
  const double allowed = std::max(factor * whole->uncertainty, other->uncertainty) + truth_moves_w;
  return std::abs(factor * whole->value - other->value) > allowed;
}

}  // namespace

const std::vector<Relation>& relations() {
  static const std::vector<Relation> all = {{"halves", halves},
                                            {"twice in a row", twice},
                                            {"every second reading", thinned},
                                            {"one in fifty lost", one_in_fifty_lost},
                                            {"a step of noise", a_step_of_noise},
                                            {"without the first ten", without_the_first_ten},
                                            {"times two", times_two}};
  return all;
}

Compared compare(const Night& night, const Found& whole, const Relation& relation) {
  Compared compared;
  for (const Retold& retold : relation.retell(night)) {
    if (retold.readings.size() < 2) continue;
    const Truth truth = truth_of(retold.plan);
    const Found other = find(retold.readings, settings_of(retold.plan.meter));
    for (std::size_t f = 0; f < figure_count; ++f) {
      const FigureName name = static_cast<FigureName>(f);
      const TrueFigure &a = night.truth.figures[f], &b = truth.figures[f];
      if (!a.judged || !b.judged || a.value_w.has_value() != b.value_w.has_value()) continue;
      const double truth_moves_w = a.value_w ? std::abs(retold.factor * *a.value_w - *b.value_w) : 0.0;
      if (a.value_w && truth_moves_w > 0.01 * *b.value_w) continue;  // the figure of another level
      ++compared.figures;
      const std::optional<Figure> from = figure_of(whole.summary, name), to = figure_of(other.summary, name);
      if (moves(from, to, retold.factor, truth_moves_w))
        compared.moved.push_back(night.sort + " " + std::to_string(night.seed) + ": " + std::string(figure_names[f]) +
                                 " from " + text(from) + " to " + text(to));
    }
  }
  return compared;
}

}  // namespace nightwatt::nights
