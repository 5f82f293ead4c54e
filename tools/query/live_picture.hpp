// What a live view knows at one moment: the last minutes of one meter, its level so far and how good it is.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "chart.hpp"
#include "context.hpp"
#include "measure/run/summary.hpp"
#include "measure/uncertainty/level_forecast.hpp"
#include "service.hpp"

namespace nightwatt::query {

/// The level that the meter is on.
struct LiveLevel {
  Figure figure;  ///< as `summary --budget` makes it
  std::optional<LevelForecast> forecast;
};

/// The last minutes of one meter. Times are as shown.
struct LiveCurve {
  std::string meter;
  std::string run;  ///< `run 12 (Gannet board)`, safe to print; empty: none is open
  std::optional<storage::RunId> run_id;
  std::optional<std::string> device;
  std::string power;  ///< of the last reading, with the meter's own digits; empty: none yet
  std::optional<UtcTime> last;
  std::optional<SegmentKind> kind;  ///< at the moment
  double kind_for_s = 0.0;
  bool settling = false;
  std::optional<LiveLevel> level;
  std::vector<NamedFigure> so_far;  ///< of the whole run; they may still change
  std::vector<Bin> bins;
  UtcTime from;
  UtcTime to;
};

struct LivePicture {
  UtcTime now;
  bool running = false;
  std::string trouble;  ///< why there is less to see than asked for; one line, safe to print; empty: nothing is wrong
  std::vector<MeterState> meters;
  std::size_t chosen = 0;  ///< of `meters`
  std::optional<LiveCurve> curve;
};

/// What the one who looks has chosen.
struct LiveChoice {
  std::optional<std::string> run;  ///< follow this RUN; else the meter chosen by `turns`
  std::size_t turns = 0;           ///< through the meters
  double minutes = 10.0;
  std::size_t columns = 70;  ///< of the curve at most
};

/// Looks again and again, over one connection to the store. Whatever fails is told in the picture and tried anew the
/// next time; only a RUN that can never be followed is an error.
class LiveSource {
 public:
  explicit LiveSource(Context& context) : context_(context) {}
  [[nodiscard]] Result<LivePicture> look(const LiveChoice& choice);

 private:
  struct Chosen {
    std::optional<storage::StreamId> stream;
    std::optional<storage::RunInfo> run;  ///< open
    std::string meter;
  };
  [[nodiscard]] Result<void> look_at_store(const LiveChoice& choice, LivePicture& picture);
  [[nodiscard]] Result<Chosen> choose(const LiveChoice& choice, LivePicture& picture);
  [[nodiscard]] Result<LiveCurve> curve_of(const Chosen& chosen, const LiveChoice& choice, UtcTime now);
  [[nodiscard]] Result<void> add_run(const storage::RunInfo& run, LiveCurve& curve, Duration utc_offset);
  [[nodiscard]] Result<std::optional<LiveLevel>> level_of(const storage::RunInfo& run, const Segment& segment,
                                                          double step_w);

  Context& context_;
  std::optional<storage::StoreReader> store_;
  /// A level's budget costs more the longer it lasts, and changes the slower: made anew when it has grown by some.
  struct Known {
    UtcTime begin, end;
    std::optional<LiveLevel> level;
  };
  std::optional<Known> known_;
};

}  // namespace nightwatt::query
