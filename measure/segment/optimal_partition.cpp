#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "measure/segment/change_points.hpp"
#include "measure/signal/invariant.hpp"
#include "signal/archive.hpp"

namespace nightwatt {

namespace {
constexpr double infinity = std::numeric_limits<double>::infinity();
}

OptimalPartition::OptimalPartition(std::int64_t horizon, std::int64_t first_index)
    : horizon_(horizon), next_(first_index), decided_(first_index) {}

std::int32_t OptimalPartition::new_node(std::int64_t index, std::int32_t parent) {
  std::int32_t id = 0;
  if (free_.empty()) {
    id = static_cast<std::int32_t>(nodes_.size());
    nodes_.emplace_back();
  } else {
    id = free_.back();
    free_.pop_back();
  }
  nodes_[static_cast<std::size_t>(id)] = {index, parent, 0, 0, 0};
  if (parent >= 0) {
    Node& p = nodes_[static_cast<std::size_t>(parent)];
    ++p.children;
    p.child_xor ^= id;
  }
  return id;
}

void OptimalPartition::free_if_unused(std::int32_t id) {
  while (id >= 0 && id != root_) {
    Node& node = nodes_[static_cast<std::size_t>(id)];
    if (node.pieces > 0 || node.children > 0) return;
    const std::int32_t parent = node.parent;
    free_.push_back(id);
    if (parent >= 0) {
      Node& p = nodes_[static_cast<std::size_t>(parent)];
      invariant(p.children > 0, "a node that goes was its parent's");
      --p.children;
      p.child_xor ^= id;
    }
    id = parent;
  }
}

void OptimalPartition::release_piece(std::int32_t node) {
  invariant(nodes_[static_cast<std::size_t>(node)].pieces > 0, "a piece is released once");
  --nodes_[static_cast<std::size_t>(node)].pieces;
  if (nodes_[static_cast<std::size_t>(node)].pieces == 0) free_if_unused(node);
}

void OptimalPartition::advance_root() {
  // All live candidates go through the root's only child: that change can no longer be taken back.
  while (root_ >= 0) {
    const Node& node = nodes_[static_cast<std::size_t>(root_)];
    if (node.pieces > 0 || node.children != 1) return;
    const std::int32_t child = node.child_xor;
    free_.push_back(root_);
    root_ = child;
    nodes_[static_cast<std::size_t>(child)].parent = -1;
    final_.push_back(nodes_[static_cast<std::size_t>(child)].index);
  }
}

void OptimalPartition::begin_section(double y) {
  nodes_.clear();
  free_.clear();
  root_ = -1;
  root_ = new_node(next_, -1);
  nodes_[static_cast<std::size_t>(root_)].pieces = 1;
  pieces_.assign(1, {infinity, 1.0, y, 0.0, root_});
  best_ = 0;
  best_cost_ = 0.0;
  dropped_cost_ = 0.0;
  decided_ = next_;
  ++next_;
}

/// The part of an interval in which the piece costs less than a new change does: `room` is how far that lies above its
/// lowest cost. False: there is none.
bool OptimalPartition::cut(const Piece& piece, double room, double& from, double& to) {
  if (room <= 0.0) return false;
  const double below = from - piece.mean;
  const double above = to - piece.mean;
  const bool cut_low = piece.n * below * below > room;
  const bool cut_high = piece.n * above * above > room;
  if (!cut_low && !cut_high) return true;
  const double reach = std::sqrt(room / piece.n);
  if (cut_low && piece.mean - reach > from) from = piece.mean - reach;
  if (cut_high && piece.mean + reach < to) to = piece.mean + reach;
  return from < to;
}

void OptimalPartition::put_newest(const Piece& newest, double hi) {
  if (scratch_.empty() || scratch_.back().node != newest.node) {
    scratch_.push_back(newest);
    ++nodes_[static_cast<std::size_t>(newest.node)].pieces;
  }
  scratch_.back().hi = hi;
}

/// Each piece takes the number in where it costs less than a change before the number; the rest is the newest's.
void OptimalPartition::take_in(double y, const Piece& newest) {
  scratch_.clear();
  best_cost_ = infinity;
  double lo = -infinity;
  for (const Piece& p : pieces_) {
    double from = lo, to = p.hi;
    if (cut(p, newest.cost - p.cost, from, to)) {
      if (from > lo) put_newest(newest, from);
      // Welford's update keeps cost and mean free of cancellation.
      const double n = p.n + 1.0;
      const double d = y - p.mean;
      const double mean = p.mean + d / n;
      const double cost = p.cost + d * (y - mean);
      scratch_.push_back({to, n, mean, cost, p.node});
      const double off = std::min(std::max(mean, from), to) - mean;
      const double least = cost + n * off * off;
      if (least < best_cost_) {
        best_cost_ = least;
        best_ = scratch_.size() - 1;
      }
      if (to < p.hi) put_newest(newest, p.hi);
    } else {
      put_newest(newest, p.hi);
      release_piece(p.node);
    }
    lo = p.hi;
  }
}

/// The newest candidate may lie in several intervals: its lowest point is looked for in each.
void OptimalPartition::look_at_newest(const Piece& newest) {
  if (nodes_[static_cast<std::size_t>(newest.node)].pieces == 0) return free_if_unused(newest.node);
  double from = -infinity;
  for (std::size_t i = 0; i < scratch_.size(); ++i) {
    const double hi = scratch_[i].hi;
    if (scratch_[i].node == newest.node) {
      const double off = std::min(std::max(newest.mean, from), hi) - newest.mean;
      const double least = newest.cost + off * off;
      if (least < best_cost_) {
        best_cost_ = least;
        best_ = i;
      }
    }
    from = hi;
  }
}

void OptimalPartition::keep_to_limit() {
  while (pieces_.size() > piece_limit) {
    std::size_t worst = 0;
    double worst_cost = -infinity;
    for (std::size_t i = 0; i < pieces_.size(); ++i)
      if (i != best_ && pieces_[i].cost > worst_cost) {
        worst = i;
        worst_cost = pieces_[i].cost;
      }
    drop_piece(worst);
  }
}

void OptimalPartition::push(double y, double penalty) {
  if (pieces_.empty()) {
    begin_section(y);
    return;
  }
  const Piece newest{0.0, 1.0, y, best_cost_ + penalty, new_node(next_, pieces_[best_].node)};
  take_in(y, newest);
  look_at_newest(newest);
  pieces_.swap(scratch_);
  ++next_;
  keep_to_limit();
  if (next_ % horizon_stride == 0) enforce_horizon();
  advance_root();
}

void OptimalPartition::drop_piece(std::size_t i) {
  // A neighbour takes the interval: its quadratic is a valid, if not the lowest, cost there.
  if (i > 0) pieces_[i - 1].hi = pieces_[i].hi;
  release_piece(pieces_[i].node);
  pieces_.erase(pieces_.begin() + static_cast<std::ptrdiff_t>(i));
  if (best_ > i) --best_;
}

std::int32_t OptimalPartition::ancestor_at_or_before(std::int32_t node, std::int64_t index) const {
  while (nodes_[static_cast<std::size_t>(node)].index > index) {
    const std::int32_t parent = nodes_[static_cast<std::size_t>(node)].parent;
    if (parent < 0) break;
    node = parent;
  }
  return node;
}

void OptimalPartition::enforce_horizon() {
  const std::int64_t limit = next_ - horizon_;
  if (limit <= decided_) return;
  const std::int32_t chosen = ancestor_at_or_before(pieces_[best_].node, limit);
  for (std::size_t i = pieces_.size(); i-- > 0;)
    if (ancestor_at_or_before(pieces_[i].node, limit) != chosen) drop_piece(i);
  decided_ = limit;
  // Costs are only ever compared with each other.
  for (Piece& p : pieces_) p.cost -= best_cost_;
  dropped_cost_ += best_cost_;
  best_cost_ = 0.0;
}

std::int64_t OptimalPartition::decided() const {
  if (root_ < 0) return next_;
  return std::max(decided_, nodes_[static_cast<std::size_t>(root_)].index);
}

void OptimalPartition::finish() {
  if (pieces_.empty()) return;
  std::vector<std::int64_t> changes;
  for (std::int32_t node = pieces_[best_].node; node != root_; node = nodes_[static_cast<std::size_t>(node)].parent)
    changes.push_back(nodes_[static_cast<std::size_t>(node)].index);
  final_.insert(final_.end(), changes.rbegin(), changes.rend());
  pieces_.clear();
  nodes_.clear();
  free_.clear();
  root_ = -1;
  decided_ = next_;
}

std::vector<std::int64_t> OptimalPartition::take_final() {
  return std::exchange(final_, {});
}

/// Every number that will be followed leads somewhere, and every chain of parents ends.
bool OptimalPartition::leads_somewhere() const {
  const auto known = [&](std::int32_t id) { return id >= 0 && static_cast<std::size_t>(id) < nodes_.size(); };
  bool sound = pieces_.empty() ? root_ == -1 : known(root_) && best_ < pieces_.size();
  for (const Piece& p : pieces_) sound = sound && known(p.node);
  for (const std::int32_t x : free_) sound = sound && known(x);
  for (const Node& n : nodes_) {
    if (n.parent == -1) continue;
    sound = sound && known(n.parent);
    const bool unused = n.pieces == 0 && n.children == 0;
    sound = sound && (unused || nodes_[static_cast<std::size_t>(n.parent)].index < n.index);
  }
  return sound;
}

template <class Archive, class Self>
void OptimalPartition::archive(Archive& ar, Self& self) {
  ar(self.next_, self.decided_, self.pieces_, self.nodes_, self.free_, self.root_, self.best_, self.best_cost_,
     self.dropped_cost_, self.final_);
  ar.require(self.leads_somewhere());
}
template void OptimalPartition::archive(Saver&, const OptimalPartition&);
template void OptimalPartition::archive(Restorer&, OptimalPartition&);

}  // namespace nightwatt
