#include "segment_parts.hpp"

#include <algorithm>
#include <utility>

#include "stretch_bytes.hpp"

namespace nightwatt {

double length_s(const Part& p) {
  return to_seconds(p.stretch.end - p.stretch.begin).value;
}

double variance(const Part& p) {
  return p.noise_n > 0 ? p.noise_m2 / static_cast<double>(p.noise_n) : 0.0;
}

namespace {

/// The first of what the first one has and, where it ends, of what follows; the last in the same way.
void join_points(Part& a, const Part& b) {
  std::vector<EdgePoint>& first = a.first_points;
  const std::vector<EdgePoint>& more = b.first_points;
  const bool whole = static_cast<std::int64_t>(first.size()) == a.points;
  for (std::size_t i = 0; whole && i < more.size() && first.size() < edge_point_limit; ++i)
    if (to_seconds(more[i].first - a.stretch.begin).value < edge_reach_s) first.push_back(more[i]);
  std::vector<EdgePoint> last = b.last_points;
  if (static_cast<std::int64_t>(last.size()) == b.points)
    last.insert(last.begin(), a.last_points.begin(), a.last_points.end());
  std::size_t from = last.size() > edge_point_limit ? last.size() - edge_point_limit : 0;
  while (from < last.size() && to_seconds(b.stretch.end - last[from].first).value > edge_reach_s) ++from;
  last.erase(last.begin(), last.begin() + static_cast<std::ptrdiff_t>(from));
  a.last_points = std::move(last);
}

}  // namespace

void join(Part& a, const Part& b, const PartRules& rules, bool kept) {
  const bool a_short = length_s(a) < rules.edge_window_s();
  const bool b_short = length_s(b) < rules.edge_window_s();
  Stretch& s = a.stretch;
  if (kept) {
    s.cycles.reset();
    if (a_short) a.head.add(b.head);
    if (b_short) {
      EdgeLevel tail = a.tail;
      tail.add(b.tail);
      a.tail = tail;
    } else {
      a.tail = b.tail;
    }
    s.sketch.append(b.stretch.sketch);
    join_points(a, b);
    a.line.add(b.line);
    a.noise_n += b.noise_n;
    a.noise_m2 += b.noise_m2;
  } else {
    s.sketch.interrupt();
  }
  s.end = b.stretch.end;
  s.end_uncertainty_s = b.stretch.end_uncertainty_s;
  s.samples += b.stretch.samples;
  a.points += b.points;
  s.energy_ws += b.stretch.energy_ws;
  s.covered_s += b.stretch.covered_s;
  s.lowest_w = std::min(s.lowest_w, b.stretch.lowest_w);
  s.highest_w = std::max(s.highest_w, b.stretch.highest_w);
  s.excursions += b.stretch.excursions;
}

void precede(Part& next, const Part& way) {
  Stretch& s = next.stretch;
  std::vector<EdgePoint> points = way.first_points;
  points.insert(points.end(), next.first_points.begin(), next.first_points.end());
  if (points.size() > edge_point_limit) points.resize(edge_point_limit);
  next.first_points = std::move(points);
  next.points += way.points;
  s.begin = way.stretch.begin;
  s.begin_uncertainty_s = way.stretch.begin_uncertainty_s;
  s.samples += way.stretch.samples;
  s.energy_ws += way.stretch.energy_ws;
  s.covered_s += way.stretch.covered_s;
  s.lowest_w = std::min(s.lowest_w, way.stretch.lowest_w);
  s.highest_w = std::max(s.highest_w, way.stretch.highest_w);
  s.excursions += way.stretch.excursions;
}

void write_part(ByteWriter& out, const Part& part) {
  write_stretch(out, part.stretch);
  out.integer(part.points);
  out.integer(part.noise_n);
  out.real(part.noise_m2);
  for (const EdgeLevel* e : {&part.head, &part.tail}) {
    out.integer(e->n);
    out.real(e->mean);
  }
  for (const double x : {part.line.n, part.line.x, part.line.y, part.line.xx, part.line.xy}) out.real(x);
  write_points(out, part.first_points);
  write_points(out, part.last_points);
}

void write_points(ByteWriter& out, const std::vector<EdgePoint>& points) {
  out.whole(points.size());
  std::int64_t from = 0;
  for (const EdgePoint& p : points) {
    out.integer(p.first.us - from);
    out.integer(p.last.us - p.first.us);
    from = p.last.us;
    out.integer(p.n);
    out.real(p.mean);
  }
}

std::vector<EdgePoint> read_points(ByteReader& in) {
  std::vector<EdgePoint> points(in.count(11));
  std::uint64_t from = 0;  // modulo 2^64: damaged bytes must not overflow
  for (EdgePoint& p : points) {
    from += static_cast<std::uint64_t>(in.integer());
    p.first.us = static_cast<std::int64_t>(from);
    from += static_cast<std::uint64_t>(in.integer());
    p.last.us = static_cast<std::int64_t>(from);
    p.n = in.integer();
    p.mean = in.real();
  }
  return points;
}

Part read_part(ByteReader& in) {
  Part part;
  part.stretch = read_stretch(in);
  part.points = in.integer();
  part.noise_n = in.integer();
  part.noise_m2 = in.real();
  for (EdgeLevel* e : {&part.head, &part.tail}) {
    e->n = in.integer();
    e->mean = in.real();
  }
  for (double* x : {&part.line.n, &part.line.x, &part.line.y, &part.line.xx, &part.line.xy}) *x = in.real();
  part.first_points = read_points(in);
  part.last_points = read_points(in);
  return part;
}

}  // namespace nightwatt
