// The report: what the store says of some runs as one page that needs nothing but a browser, or as one chart.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "figures/budget.hpp"
#include "figures/comparison.hpp"
#include "figures/curve.hpp"
#include "figures/history.hpp"
#include "report/png.hpp"

namespace nightwatt::report {

/// Curves on one page: more is a page no browser likes, and no reader.
inline constexpr std::size_t runs_limit = 200;

struct ReportRequest {
  std::vector<std::string> runs;  ///< as of figures::ComparisonRequest
  std::string title, note;        ///< hostile text like all names; may be empty
  UtcTime made;
};

struct ReportRun {
  figures::RunRecord record;
  figures::RunBudgets budgets;
  figures::Window window;
  std::vector<figures::Bin> bins;     ///< of the whole run
  std::vector<std::string> warnings;  ///< the summary's, and where a budget reaches further
};

struct Report {
  std::string title, note;
  UtcTime made;
  figures::Comparison comparison;
  std::vector<ReportRun> runs;              ///< in the order of the comparison's rows
  std::vector<figures::History> histories;  ///< of the devices above that the store has more runs of than one
};

[[nodiscard]] Result<Report> report_of(const storage::StoreReader& store, const ReportRequest& request);

/// One HTML file without any reference to another; its content policy lets only its own script and style run.
[[nodiscard]] std::string report_page(const Report& report);
/// The table and the bars alone, as SVG.
[[nodiscard]] Picture report_picture(const Report& report);

}  // namespace nightwatt::report
