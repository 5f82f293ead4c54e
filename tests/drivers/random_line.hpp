// Random Modbus meters on random lines, with what they said kept beside: slow, forgetful, doubled, cut, noisy, in
// spells, with restarts of the program that asks. No reading may hold what the meter did not say, then, about that.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "drivers/decoder.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::test {

/// What can happen to an answer; a share of all answers each.
struct Mishaps {
  double missing = 0;   ///< nothing is heard of it
  double cut = 0;       ///< it breaks off
  double garbled = 0;   ///< a bit is wrong
  double late = 0;      ///< up to `late_by` later, and all behind it
  double twice = 0;     ///< sent again, up to 100 ms later
  double previous = 0;  ///< the answer before is given in its place

  [[nodiscard]] double any() const { return missing + cut + garbled + late + twice + previous; }
};

/// A meter, its line, its profile and its night, drawn from a seed.
struct LineCase {
  std::uint64_t seed = 0;
  Duration interval{};
  Duration timeout{};
  int retries = 1;
  int quantities = 3;         ///< read beside one another, each by a question of its own
  bool mixed_shapes = false;  ///< some are one register, else all are two
  bool steady = false;        ///< the power stays the same to the last digit
  bool equal = false;         ///< and voltage and power are the same number
  bool knows_halves = true;   ///< answers the clearing question; refuses it else
  bool speaks_of_halves = true;
  bool knows_functions = true;  ///< refuses a function it does not have, as the standard asks; is silent else
  Duration latency{};           ///< from the question's end, or the answer before, to the answer
  Duration jitter{};            ///< up to so much more
  Duration longest_queue{};     ///< busy for longer than this, it hears no question
  Duration late_by{};
  int pieces = 1;  ///< in which an answer comes, up to 16 ms apart
  Mishaps usual;
  Mishaps in_spell;
  Duration spell_latency{};
  Duration spell_from{}, spell_to{};
  std::vector<Duration> restarts;
  Duration length{};

  [[nodiscard]] static LineCase draw(std::uint64_t seed);
  [[nodiscard]] std::string text() const;
};

struct LineResult {
  int readings = 0;
  int wrong = 0;    ///< readings with a value the meter did not give at that time, or gave for another register
  int doubled = 0;  ///< readings made of an answer that was heard once
  int disordered = 0;
  int late = 0;      ///< handed out more than an interval and a time-out behind their own time, on a line that was well
  int slots = 0;     ///< of the grid, while the line was well and had been for a while
  int in_slots = 0;  ///< readings then
  int whole = 0;     ///< of these, with all quantities
  std::string first_wrong;

  /// Whether so slow or bad a meter can be read in each slot, all of it.
  bool must_be_complete = false;
  [[nodiscard]] bool is_good() const;
};

using MakeDecoder = std::function<std::unique_ptr<drivers::Decoder>(const MeterProfile&)>;

/// A night of the line with the decoder that `make` makes; with a new one after each restart.
[[nodiscard]] LineResult run_line(const LineCase& line, const MakeDecoder& make);

}  // namespace nightwatt::test
