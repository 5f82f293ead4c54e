// The cheapest choice of where segments begin and which model each of them follows.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include "segment/segment_models.hpp"

namespace nightwatt {

/// Pieces [first, last) follow one model.
struct ChosenModel {
  std::size_t first = 0;
  std::size_t last = 0;
  Model model = Model::level;
  Curve curve = {};
};

/// Dynamic programming over the pieces between two gaps: what is cheapest up to each of them, by its last model.
class ModelChoice {
 public:
  ModelChoice(Evidences at, const PieceRules& rules);
  /// The choice that is cheapest if the record ends before piece `end`, in order.
  [[nodiscard]] std::vector<ChosenModel> up_to(std::size_t end) const;

 private:
  struct Step {
    double cost = infinity;
    std::size_t from = 0;
    Model before = Model::jump;
    Curve curve = {};
  };
  using ByModel = std::array<Step, model_count>;

  void offer_from(Evidences at, std::size_t i, const PieceRules& rules);

  std::vector<ByModel> best_;
};

}  // namespace nightwatt
