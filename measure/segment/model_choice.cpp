#include "segment/model_choice.hpp"

#include <algorithm>

namespace nightwatt {

namespace {

std::size_t index(Model model) {
  return static_cast<std::size_t>(model);
}

/// Piece `i` lies further from the last ones than these from each other: of irregular work it is no part.
bool leaves_work(Evidences at, std::size_t i) {
  constexpr std::size_t looked_at = 4;
  if (i < looked_at) return false;
  const Evidences last = at.subspan(i - looked_at, looked_at);
  const auto [low, high] = std::minmax_element(
      last.begin(), last.end(), [](const Evidence& a, const Evidence& b) { return a.mean_w < b.mean_w; });
  const double spread = high->mean_w - low->mean_w;
  return at[i].mean_w > high->mean_w + spread || at[i].mean_w < low->mean_w - spread;
}

bool may_precede(Model before, Model model, bool leaves_work) {
  const bool steady = before != Model::irregular && before != Model::ramp && before != Model::jump;
  switch (model) {
    case Model::level:
    case Model::curve:
    case Model::turns:
      return true;
    case Model::decay:  // a way leads to a level, not to the top of a curve that falls far
      return before != Model::ramp;
    case Model::jump:
      return steady || (leaves_work && before != Model::ramp);
    case Model::irregular:
    case Model::ramp:
      break;
  }
  return steady;
}

}  // namespace

ModelChoice::ModelChoice(Evidences at, const PieceRules& rules) : best_(at.size() + 1) {
  best_[0][index(Model::jump)].cost = 0.0;  // the record begins: nothing is known of what was before
  for (std::size_t i = 0; i < at.size(); ++i) offer_from(at, i, rules);
}

void ModelChoice::offer_from(Evidences at, std::size_t i, const PieceRules& rules) {
  ByModel in;  // the cheapest way to where each model would begin
  const bool leaves = leaves_work(at, i);
  for (std::size_t next = 0; next < model_count; ++next)
    for (std::size_t m = 0; m < model_count; ++m)
      if (const auto before = static_cast<Model>(m);
          best_[i][m].cost < in[next].cost && (i == 0 || may_precede(before, static_cast<Model>(next), leaves)))
        in[next] = {best_[i][m].cost, i, before};
  const auto possible = [&](Model model) { return in[index(model)].cost < infinity; };
  const auto take = [&](const Offers& offers) {
    for (const Offer& offer : offers) {
      const Step& from = in[index(offer.model)];
      Step& best = best_[offer.end][index(offer.model)];
      if (from.cost + offer.cost < best.cost) best = {from.cost + offer.cost, i, from.before, offer.curve};
    }
  };
  if (possible(Model::level)) {
    take(level_offers(at, i, rules));
    take(curve_offers(at, i, rules));
    take(turns_offers(at, i));
  }
  if (possible(Model::jump)) take(jump_offers(at, i));
  if (possible(Model::irregular)) take(irregular_offers(at, i, rules));
  if (possible(Model::ramp) && i > 0) take(ramp_offers(at, i, rules));
}

std::vector<ChosenModel> ModelChoice::up_to(std::size_t end) const {
  std::vector<ChosenModel> chosen;
  Model model = Model::irregular;
  for (const Model m : {Model::level, Model::curve, Model::decay, Model::turns, Model::jump})
    if (best_[end][index(m)].cost < best_[end][index(model)].cost) model = m;
  while (end > 0) {
    const Step& step = best_[end][index(model)];
    chosen.push_back({step.from, end, model, step.curve});
    end = step.from;
    model = step.before;
  }
  std::reverse(chosen.begin(), chosen.end());
  return chosen;
}

}  // namespace nightwatt
