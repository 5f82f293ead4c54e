// Finds where the mean of a stream of numbers changes, one number at a time: the segmenter's engine.
//
// Knows nothing of watts or time. docs/measuring.md says how it works and why.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"

namespace nightwatt {

/// Exact optimal partitioning for squared loss, online, by functional pruning (FPOP: Maidstone, Hocking, Rigaill,
/// Fearnhead, Statistics and Computing 27 (2017) 519, doi 10.1007/s11222-016-9636-3):
/// F_t(m) = min(F_{t-1}(m), min F_{t-1} + penalty_t) + (y_t - m)^2, kept as intervals of m with one quadratic each.
class OptimalPartition {
 public:
  static constexpr std::size_t piece_limit = 1000;  // safety: 5 to 25 are usual
  static constexpr std::int64_t horizon_stride = 256;

  /// `horizon`: what the best partition says of numbers older than this is taken as decided. `first_index`: of the
  /// first number to be pushed.
  OptimalPartition(std::int64_t horizon, std::int64_t first_index);

  /// A change before this number costs `penalty` >= 0.
  void push(double y, double penalty);
  /// The remaining changes of the best partition become final. A push() after it begins a new section.
  void finish();
  /// Changes (index of the first number of a new segment) that became final since the last call, rising.
  [[nodiscard]] std::vector<std::int64_t> take_final();
  [[nodiscard]] bool has_final() const { return !final_.empty(); }
  /// Of the numbers before this index it is decided for good to which segment they belong.
  [[nodiscard]] std::int64_t decided() const;
  [[nodiscard]] std::size_t pieces() const { return pieces_.size(); }
  /// The cost of the best partition, changes counted; falls back to small values as changes become final.
  [[nodiscard]] double best_cost() const { return best_cost_ + dropped_cost_; }

  /// The fields of its state, once for save and restore.
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self);

 private:
  struct Piece {  // F(m) = cost + n (m - mean)^2 for m from the end of the piece before to hi
    double hi;
    double n;
    double mean;
    double cost;
    std::int32_t node;
    template <class Archive, class Self>
    static void archive(Archive& ar, Self& self) {
      ar(self.hi, self.n, self.mean, self.cost, self.node);
    }
  };
  struct Node {  // a change that a live piece, or a later change of one, goes back to
    std::int64_t index;
    std::int32_t parent;
    std::int32_t pieces;
    std::int32_t children;
    std::int32_t child_xor;  // of the children's numbers: the child's, when there is but one
    template <class Archive, class Self>
    static void archive(Archive& ar, Self& self) {
      ar(self.index, self.parent, self.pieces, self.children, self.child_xor);
    }
  };
  std::int32_t new_node(std::int64_t index, std::int32_t parent);
  void release_piece(std::int32_t node);
  void free_if_unused(std::int32_t node);
  void advance_root();
  void begin_section(double y);
  static bool cut(const Piece& piece, double room, double& from, double& to);
  void put_newest(const Piece& newest, double hi);
  void take_in(double y, const Piece& newest);
  void look_at_newest(const Piece& newest);
  void keep_to_limit();
  void enforce_horizon();
  void drop_piece(std::size_t i);
  [[nodiscard]] bool leads_somewhere() const;
  [[nodiscard]] std::int32_t ancestor_at_or_before(std::int32_t node, std::int64_t index) const;

  std::int64_t horizon_;
  std::int64_t next_;     // index of the next number
  std::int64_t decided_;  // by the horizon
  std::vector<Piece> pieces_;
  std::vector<Piece> scratch_;
  std::vector<Node> nodes_;
  std::vector<std::int32_t> free_;
  std::int32_t root_ = -1;
  std::size_t best_ = 0;
  double best_cost_ = 0.0;
  double dropped_cost_ = 0.0;  // taken off all costs, so that they stay small
  std::vector<std::int64_t> final_;
};

/// The engine with its one fixed default: median of three, noise learnt block by block, penalty
/// 3 sigma_lr^2 ln(horizon), exact partition. The first block's noise is fitted (learn_noise), later blocks' is read
/// off their own Allan deviation, so that a device that comes on after hours of nothing is judged by its own noise.
/// Numbers wait until their block is full; finish() takes what there is.
class ChangePoints {
 public:
  static constexpr std::int64_t horizon = 2048;  // also the block
  static constexpr double penalty_factor = 3.0;

  ChangePoints();
  void push(double y);
  /// Nothing goes across here (a gap).
  void cut();
  void finish();
  /// Final changes since the last call, rising; a cut() is one too.
  [[nodiscard]] std::vector<std::int64_t> take_final();
  [[nodiscard]] bool has_final() const { return !final_.empty(); }
  /// Of the numbers before this index it is decided for good to which segment they belong.
  [[nodiscard]] std::int64_t decided() const { return partition_.decided(); }
  [[nodiscard]] std::int64_t pushed() const { return pushed_; }
  /// Numbers come in steps of q: the noise is at least q/sqrt(12). Where not said, the least difference of neighbours.
  void set_step(double q) { step_ = q; }
  /// For a caller that weighs the changes afterwards, and whose numbers are asinh(x): the noise is read off every
  /// `local_block` numbers by themselves, from means of no more than `widest` of them, so that no change is missed
  /// beside a noisier neighbour, and many are found that are none. A step of `negligible` of x that holds for
  /// `shortest` numbers is not worth a change. Before the first push().
  void judge_locally(std::size_t widest, double negligible, double shortest);
  static constexpr std::size_t local_block = 64;

  /// The fields of its state, once for save and restore.
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self);

 private:
  void filtered(double z);
  void close_section();
  void run_block();
  void collect();
  void learn_block_noise();
  [[nodiscard]] std::vector<double> local_noises() const;
  [[nodiscard]] double penalty() const;
  [[nodiscard]] double step() const { return step_ > 0.0 ? step_ : least_difference_; }

  std::int64_t pushed_ = 0;
  std::size_t widest_ = 0;    // 0: judged by whole blocks
  double least_share_ = 0.0;  // least noise, as a share of x
  double step_ = 0.0;
  double least_difference_ = 0.0;
  double sigma_lr_ = 0.0;
  double magnitude_ = 0.0;  // largest number so far: arithmetic's own noise is a part of it
  std::int64_t fed_ = 0;    // filtered numbers the partition has seen
  // median of three: the last two numbers of this section and how many it has
  double before_ = 0.0;
  double last_ = 0.0;
  double previous_filtered_ = 0.0;
  std::int64_t in_section_ = 0;
  std::vector<double> waiting_;             // filtered numbers of the block that fills
  std::vector<std::int64_t> waiting_cuts_;  // positions in waiting_ where a section begins
  OptimalPartition partition_;
  std::vector<std::int64_t> final_;
};

}  // namespace nightwatt
